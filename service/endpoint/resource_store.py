"""The endpoint's own SQLite file: one thread that writes, a few that read, and the tables."""

from __future__ import annotations

import asyncio
import queue
import sqlite3
import threading
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import Any, TypeVar

_Result = TypeVar("_Result")
_Work = Callable[[sqlite3.Connection], Any]

_READERS = 2
_GREATEST_GROUP = 64

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


class ResourceStore:
    """The file at `path`, made where it is missing.

    `write` returns only when its change is on the disk. Writes that wait at the same time share one commit, each
    in a savepoint of its own, so that one that fails takes nothing of the others with it.
    """

    def __init__(self, path: Path) -> None:
        path.parent.mkdir(parents=True, exist_ok=True)
        self._path = path
        self._writing = self._connect()
        self._writing.executescript(_TABLES)
        self._waiting: queue.SimpleQueue[tuple[_Work, Future[Any]] | None] = queue.SimpleQueue()
        self._writer = threading.Thread(target=self._write_groups, name="endpoint-writer", daemon=True)
        self._writer.start()
        self._of_thread = threading.local()
        self._reading: list[sqlite3.Connection] = []
        self._readers = ThreadPoolExecutor(_READERS, "endpoint-reader", initializer=self._open_reader)
        self._closing = threading.Lock()
        self._closed = False

    async def read(self, work: Callable[[sqlite3.Connection], _Result]) -> _Result:
        """Return what `work` returns, run against one consistent state of the store."""
        return await asyncio.wrap_future(self._readers.submit(self._read, work))

    async def write(self, work: Callable[[sqlite3.Connection], _Result]) -> _Result:
        """Return what `work` returns once its changes are durable; where it raises, nothing of it is kept."""
        future: Future[_Result] = Future()
        with self._closing:
            if self._closed:
                raise RuntimeError("the store is closed")
            self._waiting.put((work, future))
        return await asyncio.wrap_future(future)

    def close(self) -> None:
        """Finish what was begun and close the file; a second call does nothing."""
        with self._closing:
            if self._closed:
                return
            self._closed = True
            self._waiting.put(None)
        self._writer.join()
        self._readers.shutdown()
        for connection in (*self._reading, self._writing):
            connection.close()

    def _connect(self) -> sqlite3.Connection:
        connection = sqlite3.connect(self._path, isolation_level=None, check_same_thread=False)
        connection.execute("PRAGMA busy_timeout = 5000")
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA foreign_keys = ON")
        return connection

    def _open_reader(self) -> None:
        connection = self._connect()
        connection.execute("PRAGMA query_only = ON")
        self._of_thread.connection = connection
        self._reading.append(connection)

    def _read(self, work: Callable[[sqlite3.Connection], _Result]) -> _Result:
        connection: sqlite3.Connection = self._of_thread.connection
        connection.execute("BEGIN")
        try:
            return work(connection)
        finally:
            connection.execute("ROLLBACK")

    def _write_groups(self) -> None:
        open_for_work = True
        while open_for_work:
            group, open_for_work = self._take_group()
            if group:
                self._write_group(group)

    def _take_group(self) -> tuple[list[tuple[_Work, Future[Any]]], bool]:
        """Return what waits, at least one piece, and whether more may come."""
        group: list[tuple[_Work, Future[Any]]] = []
        item = self._waiting.get()
        while item is not None:
            group.append(item)
            if len(group) == _GREATEST_GROUP:
                return group, True
            try:
                item = self._waiting.get_nowait()
            except queue.Empty:
                return group, True
        return group, False

    def _write_group(self, group: list[tuple[_Work, Future[Any]]]) -> None:
        wanted = [(work, future) for work, future in group if future.set_running_or_notify_cancel()]
        try:
            self._writing.execute("BEGIN IMMEDIATE")
            answers = [(future, self._write_one(work)) for work, future in wanted]
            self._writing.execute("COMMIT")
        except BaseException as error:
            if self._writing.in_transaction:
                self._writing.execute("ROLLBACK")
            for _, future in wanted:
                future.set_exception(error)
            return
        for future, (result, failure) in answers:
            if failure is None:
                future.set_result(result)
            else:
                future.set_exception(failure)

    def _write_one(self, work: _Work) -> tuple[Any, Exception | None]:
        self._writing.execute("SAVEPOINT one")
        try:
            result = work(self._writing)
        except Exception as error:
            self._writing.execute("ROLLBACK TO one")
            self._writing.execute("RELEASE one")
            return None, error
        self._writing.execute("RELEASE one")
        return result, None
