"""A store in PostgreSQL, which any number of service processes and workers on any number of machines share."""

from __future__ import annotations

import importlib
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager, suppress

import psycopg
from psycopg.abc import Buffer
from psycopg.conninfo import conninfo_to_dict
from psycopg.types.string import StrDumperUnknown
from sqlalchemy import func, select
from sqlalchemy.dialects.postgresql.psycopg import PGDialect_psycopg

from service.storage.database import NEWEST_REVISION
from service.storage.statements import Statement, Transaction

_DIALECT = PGDialect_psycopg()  # type: ignore[no-untyped-call]  # SQLAlchemy has not typed it.

_MOMENT = Statement(
    select(func.to_char(func.timezone("UTC", func.clock_timestamp()), 'YYYY-MM-DD"T"HH24:MI:SS.US"Z"'))
)

_WRITER_LOCK = 5_204_517
"""The advisory lock (arbitrary, ours in this database) that whoever writes holds until the end of the transaction.

Each audit entry holds the hash of the one before, so writers take turns in any case; waiting at the first
statement rather than at the last spares the work of those that would have to begin again.
"""

_SESSION = {
    # A server that is gone is noticed in about half a minute, whatever the network says of it.
    "connect_timeout": "10",
    "keepalives": "1",
    "keepalives_idle": "10",
    "keepalives_interval": "5",
    "keepalives_count": "3",
    "tcp_user_timeout": "30000",
    "application_name": "resus-fhir",
}
_SESSION_SETTINGS = (
    # A process that was stopped in the middle of a transaction must not keep the lock from all others.
    "SET idle_in_transaction_session_timeout = '30s'",
    "SET lock_timeout = '30s'",
    "SET TIME ZONE 'UTC'",
    # What is answered is on the disk, whatever the database's own default says. A stronger setting stays.
    "SELECT set_config('synchronous_commit', 'on', false) WHERE current_setting('synchronous_commit') = 'off'",
)


class _TextDumper(StrDumperUnknown):
    """Hands texts over. PostgreSQL keeps none with a NUL in it, so what is asked for with one is not there."""

    def dump(self, obj: str) -> Buffer | None:
        """Return the bytes of a text; a NUL becomes the replacement character."""
        return super().dump(obj.replace("\x00", "\ufffd") if "\x00" in obj else obj)


class PostgresqlConnection:
    """One connection to the server."""

    def __init__(self, connection: psycopg.Connection) -> None:
        self._connection = connection

    @property
    def is_broken(self) -> bool:
        """Return whether the session has ended."""
        return self._connection.closed

    def reading(self) -> AbstractContextManager[Transaction]:
        """Begin a transaction that sees one snapshot."""
        return self._transaction("BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY")

    def writing(self) -> AbstractContextManager[Transaction]:
        """Begin a transaction once no other one writes; its statements see all that was committed before."""
        lock = f"SELECT pg_advisory_xact_lock({_WRITER_LOCK})"
        return self._transaction("BEGIN ISOLATION LEVEL READ COMMITTED", lock)

    def claiming(self) -> AbstractContextManager[Transaction]:
        """Begin a transaction beside the writers."""
        return self._transaction("BEGIN ISOLATION LEVEL READ COMMITTED")

    def close(self) -> None:
        """Close it."""
        self._connection.close()

    @contextmanager
    def _transaction(self, *begin: str) -> Iterator[Transaction]:
        with self._connection.cursor() as cursor:
            try:
                for statement in begin:
                    cursor.execute(statement.encode())
                transaction = Transaction(cursor, _DIALECT, _MOMENT)
                yield transaction
                transaction.write_added()
                cursor.execute("COMMIT")
            except BaseException:
                # A session that has ended has rolled back by itself.
                with suppress(psycopg.Error):
                    cursor.execute("ROLLBACK")
                raise


class PostgresqlDatabase:
    """The database and how it is reached; `url` is a libpq URL, several hosts included."""

    wanted = "RESUS_STORE names a PostgreSQL database that answers and lets us create tables"
    errors: tuple[type[Exception], ...] = (psycopg.Error,)
    is_shared = True

    def __init__(self, url: str) -> None:
        self.url = url

    @property
    def name(self) -> str:
        """Return host and database."""
        parts = conninfo_to_dict(self.url)
        return f"postgresql://{parts.get('host') or 'localhost'}/{parts.get('dbname') or ''}"

    def exists(self) -> bool:
        """Return True: only opening it will tell."""
        return True

    def bring_to_newest_schema(self) -> None:
        """Create the tables or bring them up to date; whoever comes second waits and finds them done."""
        with self._open() as connection:
            if _revision(connection) == NEWEST_REVISION:
                return
            connection.execute("SELECT pg_advisory_lock(%s)", [_WRITER_LOCK + 1])
            if _revision(connection) != NEWEST_REVISION:
                url = "postgresql+psycopg://" + self.url.partition("://")[2]
                importlib.import_module("service.storage.migrate").migrate(url)

    def connect(self, *, reads_only: bool) -> PostgresqlConnection:
        """Return a new connection."""
        connection = self._open()
        connection.adapters.register_dumper(str, _TextDumper)
        for statement in _SESSION_SETTINGS:
            connection.execute(statement.encode())
        if reads_only:
            connection.execute("SET default_transaction_read_only = on")
        return PostgresqlConnection(connection)

    @contextmanager
    def hold_delivery_right(self) -> Iterator[bool]:
        """Yield True: any number of workers deliver, each from the lanes that it has leased."""
        yield True

    def _open(self) -> psycopg.Connection:
        return psycopg.connect(self.url, autocommit=True, **_SESSION)  # type: ignore[arg-type]  # libpq takes numbers as text.


def _revision(connection: psycopg.Connection) -> str | None:
    found = connection.execute("SELECT to_regclass('alembic_version') IS NOT NULL").fetchone()
    if found is None or not found[0]:
        return None
    row = connection.execute("SELECT version_num FROM alembic_version").fetchone()
    return row[0] if row else None
