"""The endpoint's own SQLite file: the tables, its one writer, and a few readers."""

from __future__ import annotations

import asyncio
import sqlite3
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import TypeVar

from service.storage.group_commit import GroupCommitWriter

_Result = TypeVar("_Result")
_READERS = 2

_TABLES = """
CREATE TABLE IF NOT EXISTS resource (
    key INTEGER PRIMARY KEY,
    resource_type TEXT NOT NULL,
    resource_id TEXT NOT NULL,
    version INTEGER NOT NULL,
    updated_microseconds INTEGER NOT NULL,
    deleted INTEGER NOT NULL,
    content_hash BLOB,
    UNIQUE (resource_type, resource_id)
);
CREATE INDEX IF NOT EXISTS resource_in_order ON resource (resource_type, deleted);
CREATE INDEX IF NOT EXISTS resource_by_update ON resource (resource_type, deleted, updated_microseconds);
CREATE TABLE IF NOT EXISTS version (
    resource_key INTEGER NOT NULL REFERENCES resource (key),
    version INTEGER NOT NULL,
    method TEXT NOT NULL,
    updated_at TEXT NOT NULL,
    body BLOB,
    UNIQUE (resource_key, version)
);
CREATE TABLE IF NOT EXISTS token_index (
    resource_type TEXT NOT NULL,
    parameter TEXT NOT NULL,
    code TEXT NOT NULL,
    system TEXT NOT NULL,
    resource_key INTEGER NOT NULL REFERENCES resource (key),
    PRIMARY KEY (resource_type, parameter, code, system, resource_key)
) WITHOUT ROWID;
CREATE INDEX IF NOT EXISTS token_by_resource ON token_index (resource_key);
CREATE TABLE IF NOT EXISTS reference_index (
    parameter TEXT NOT NULL,
    target TEXT NOT NULL,
    resource_type TEXT NOT NULL,
    resource_key INTEGER NOT NULL REFERENCES resource (key),
    PRIMARY KEY (parameter, target, resource_type, resource_key)
) WITHOUT ROWID;
CREATE INDEX IF NOT EXISTS reference_by_resource ON reference_index (resource_key);
CREATE TABLE IF NOT EXISTS date_index (
    resource_type TEXT NOT NULL,
    parameter TEXT NOT NULL,
    low INTEGER NOT NULL,
    high INTEGER NOT NULL,
    resource_key INTEGER NOT NULL REFERENCES resource (key),
    PRIMARY KEY (resource_type, parameter, low, high, resource_key)
) WITHOUT ROWID;
CREATE INDEX IF NOT EXISTS date_by_resource ON date_index (resource_key, parameter);
"""


class _Connection:
    """One connection to the file, used by one thread at a time."""

    def __init__(self, path: Path) -> None:
        self.plain = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
        self.plain.execute("PRAGMA busy_timeout = 5000")
        self.plain.execute("PRAGMA journal_mode = WAL")
        self.plain.execute("PRAGMA synchronous = FULL")
        self.plain.execute("PRAGMA foreign_keys = ON")

    @contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        """Begin a transaction that is the file's only writer; commit it at the end."""
        self.plain.execute("BEGIN IMMEDIATE")
        try:
            yield self.plain
            self.plain.execute("COMMIT")
        except BaseException:
            if self.plain.in_transaction:
                self.plain.execute("ROLLBACK")
            raise


class ResourceStore:
    """The file at `path`, made where it is missing.

    `write` returns only when its change is on the disk. Writes that wait at the same time share one commit, and one
    that fails takes nothing of the others with it. What a failing file does to them reaches them as Unavailable.
    """

    def __init__(self, path: Path) -> None:
        path.parent.mkdir(parents=True, exist_ok=True)
        self._path = path
        writing = _Connection(path)
        writing.plain.executescript(_TABLES)
        self._connections = [writing]
        self._writer: GroupCommitWriter[sqlite3.Connection] = GroupCommitWriter(
            "endpoint-writer", lambda: writing, (sqlite3.OperationalError,)
        )
        self._writer.start()
        self._of_thread = threading.local()
        self._readers = ThreadPoolExecutor(_READERS, "endpoint-reader", initializer=self._open_reader)

    async def read(self, work: Callable[[sqlite3.Connection], _Result]) -> _Result:
        """Return what `work` returns, run against one consistent state of the store."""
        return await asyncio.wrap_future(self._readers.submit(self._read, work))

    async def write(self, work: Callable[[sqlite3.Connection], _Result]) -> _Result:
        """Return what `work` returns once its changes are durable; where it raises, nothing of it is kept.

        `work` may be run more than once, the last time with the result that is returned.
        """
        return await self._writer.write(work)

    def close(self) -> None:
        """Finish what was begun and close the file; a second call does nothing."""
        if not self._writer.close():
            return
        self._readers.shutdown()
        for connection in self._connections:
            connection.plain.close()

    def _open_reader(self) -> None:
        connection = _Connection(self._path)
        connection.plain.execute("PRAGMA query_only = ON")
        self._of_thread.connection = connection.plain
        self._connections.append(connection)

    def _read(self, work: Callable[[sqlite3.Connection], _Result]) -> _Result:
        connection: sqlite3.Connection = self._of_thread.connection
        connection.execute("BEGIN")
        try:
            return work(connection)
        finally:
            connection.execute("ROLLBACK")
