"""A store in one SQLite file (WAL, full synchronisation), for the processes of one machine."""

from __future__ import annotations

import fcntl
import importlib
import sqlite3
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path

from sqlalchemy.dialects import sqlite

from service.storage.database import NEWEST_REVISION
from service.storage.statements import Transaction

_DIALECT = sqlite.dialect(paramstyle="qmark")


class SqliteConnection:
    """One connection to the file."""

    is_broken = False

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection

    def reading(self) -> AbstractContextManager[Transaction]:
        """Begin a transaction that sees one snapshot."""
        return self._transaction("BEGIN")

    def writing(self) -> AbstractContextManager[Transaction]:
        """Begin a transaction that is the file's only writer from its first statement on."""
        return self._transaction("BEGIN IMMEDIATE")

    def claiming(self) -> AbstractContextManager[Transaction]:
        """Begin a transaction like any other that writes, since the file has one writer at a time."""
        return self._transaction("BEGIN IMMEDIATE")

    def close(self) -> None:
        """Close it."""
        self._connection.close()

    @contextmanager
    def _transaction(self, begin: str) -> Iterator[Transaction]:
        cursor = self._connection.cursor()
        cursor.execute(begin)
        try:
            transaction = Transaction(cursor, _DIALECT)
            yield transaction
            transaction.write_added()
            cursor.execute("COMMIT")
        except BaseException:
            if self._connection.in_transaction:
                cursor.execute("ROLLBACK")
            raise
        finally:
            cursor.close()


class SqliteDatabase:
    """The file and how it is opened."""

    wanted = "RESUS_STORE names a file in a folder that can be written"
    errors: tuple[type[Exception], ...] = (sqlite3.Error,)
    is_shared = False

    def __init__(self, file: Path) -> None:
        self.file = file

    @property
    def name(self) -> str:
        """Return the path of the file."""
        return str(self.file)

    def exists(self) -> bool:
        """Return whether the file is there."""
        return self.file.is_file()

    def bring_to_newest_schema(self) -> None:
        """Create the file or bring it up to date."""
        connection = self._open()
        try:
            found = connection.execute("SELECT name FROM sqlite_master WHERE name = 'alembic_version'").fetchall()
            revision = connection.execute("SELECT version_num FROM alembic_version").fetchall() if found else []
        finally:
            connection.close()
        if revision != [(NEWEST_REVISION,)]:
            # Alembic takes almost a second to import, so a start that finds its schema in place goes without it.
            importlib.import_module("service.storage.migrate").migrate(f"sqlite:///{self.file}")

    def connect(self, *, reads_only: bool) -> SqliteConnection:
        """Return a new connection."""
        connection = self._open()
        if reads_only:
            connection.execute("PRAGMA query_only = ON")
            # What readers look at is small or passes by once.
            connection.execute("PRAGMA cache_size = -4096")
        return SqliteConnection(connection)

    @contextmanager
    def hold_delivery_right(self) -> Iterator[bool]:
        """Try to take the right to deliver from the file, which one process has at a time.

        The operating system takes the right back when the process ends, however it ends, so a killed process
        leaves nothing behind that would have to expire.
        """
        with self.file.with_name(self.file.name + ".delivering").open("w") as handle:
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                yield False
                return
            yield True

    def _open(self) -> sqlite3.Connection:
        connection = sqlite3.connect(self.file, timeout=30, isolation_level=None, check_same_thread=False)
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA foreign_keys = ON")
        # Pages that are written again and again are copied into the file once in 32 MiB of log, not once in 4.
        connection.execute("PRAGMA wal_autocheckpoint = 8192")
        # Ids are spread evenly, so what is written touches pages everywhere; 64 MiB keep them at hand.
        connection.execute("PRAGMA cache_size = -65536")
        return connection
