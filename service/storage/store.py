"""Opens the store: one thread that writes and commits what waits together, and readers beside it."""

from __future__ import annotations

import asyncio
import importlib
import queue
import sqlite3
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar

from sqlalchemy.dialects import sqlite

from service.problems import Code, Problem, Unavailable
from service.storage.statements import Transaction

T = TypeVar("T")
Unit = Callable[[Transaction], T]
"""A unit of work: reads and writes in the transaction it is given, and can be run again from the start."""

NEWEST_REVISION = "0002"
"""The Alembic revision that this code works with; a test holds it against the migrations."""

_MOST_TOGETHER = 256
_DIALECT = sqlite.dialect(paramstyle="qmark")


def _unavailable(error: sqlite3.Error) -> Unavailable:
    return Unavailable(
        [
            Problem(
                Code.STORE_UNAVAILABLE, "", f"the store does not answer: {type(error).__name__}", "try again later"
            )
        ]
    )


class Store:
    """The store in one SQLite file (WAL, full synchronisation).

    `write` returns after the commit is on the disk. Units that wait at the same time share one commit; a unit
    that raises is rolled back alone and its exception reaches its caller.
    """

    def __init__(self, file: Path) -> None:
        self.file = file
        self._units: queue.SimpleQueue[tuple[Unit[Any], Future[Any]] | None] = queue.SimpleQueue()
        self._local = threading.local()
        self._readers: list[sqlite3.Connection] = []
        self._readers_lock = threading.Lock()
        self._reading = ThreadPoolExecutor(max_workers=4, thread_name_prefix="store-reader")
        self._writer = threading.Thread(target=self._write_until_closed, name="store-writer", daemon=True)
        self._closed = False
        self._after_commit: list[Callable[[], None]] = []

    def open(self) -> None:
        """Bring the file to the newest schema and start the writer.

        Raises Unavailable where the file cannot be opened or written.
        """
        try:
            self._bring_to_newest_schema()
        except (sqlite3.Error, OSError) as error:
            raise Unavailable(
                [
                    Problem(
                        Code.STORE_UNAVAILABLE,
                        "",
                        f"the store {self.file} cannot be opened: {error}",
                        "RESUS_STORE names a file in a folder that can be written",
                    )
                ]
            ) from error
        self._writer.start()

    def _bring_to_newest_schema(self) -> None:
        connection = self._connect()
        try:
            found = connection.execute("SELECT name FROM sqlite_master WHERE name = 'alembic_version'").fetchall()
            revision = connection.execute("SELECT version_num FROM alembic_version").fetchall() if found else []
        finally:
            connection.close()
        if revision != [(NEWEST_REVISION,)]:
            # Alembic takes almost a second to import, so a start that finds its schema in place goes without it.
            importlib.import_module("service.storage.migrate").migrate(self.file)

    def close(self) -> None:
        """Commit what waits, then end the writer and the readers."""
        if self._closed:
            return
        self._closed = True
        self._units.put(None)
        self._writer.join()
        self._reading.shutdown()
        with self._readers_lock:
            for connection in self._readers:
                connection.close()

    def call_after_commit(self, listener: Callable[[], None]) -> None:
        """Have `listener` called, on the writer's thread, after every commit."""
        self._after_commit.append(listener)

    async def write(self, unit: Unit[T]) -> T:
        """Run `unit` in the writer and return its result once it is on the disk."""
        return await asyncio.wrap_future(self._submit(unit))

    def write_now(self, unit: Unit[T]) -> T:
        """Run `unit` in the writer and wait for it; for callers without an event loop."""
        return self._submit(unit).result()

    async def read(self, unit: Unit[T]) -> T:
        """Run `unit`, which only reads, on a snapshot of the store."""
        return await asyncio.get_running_loop().run_in_executor(self._reading, self.read_now, unit)

    def read_now(self, unit: Unit[T]) -> T:
        """Run `unit`, which only reads, on a snapshot of the store, on this thread."""
        connection = self._reader()
        try:
            with _transaction(connection, "BEGIN") as transaction:
                return unit(transaction)
        except sqlite3.Error as error:
            raise _unavailable(error) from error

    def _submit(self, unit: Unit[T]) -> Future[T]:
        if self._closed:
            raise Unavailable([Problem(Code.STORE_UNAVAILABLE, "", "the service is stopping", "try again later")])
        future: Future[T] = Future()
        self._units.put((unit, future))
        return future

    def _connect(self) -> sqlite3.Connection:
        connection = sqlite3.connect(self.file, timeout=30, isolation_level=None, check_same_thread=False)
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA foreign_keys = ON")
        return connection

    def _reader(self) -> sqlite3.Connection:
        connection: sqlite3.Connection | None = getattr(self._local, "connection", None)
        if connection is None:
            connection = self._connect()
            connection.execute("PRAGMA query_only = ON")
            self._local.connection = connection
            with self._readers_lock:
                self._readers.append(connection)
        return connection

    def _write_until_closed(self) -> None:
        connection = self._connect()
        try:
            while True:
                waiting, closing = self._take_what_waits()
                if waiting:
                    _write_together(connection, waiting)
                    for listener in self._after_commit:
                        listener()
                if closing:
                    return
        finally:
            connection.close()

    def _take_what_waits(self) -> tuple[list[tuple[Unit[Any], Future[Any]]], bool]:
        """Return the units that wait, at least one unless the store closes, and whether it closes."""
        waiting: list[tuple[Unit[Any], Future[Any]]] = []
        item = self._units.get()
        while item is not None:
            waiting.append(item)
            if len(waiting) == _MOST_TOGETHER:
                return waiting, False
            try:
                item = self._units.get_nowait()
            except queue.Empty:
                return waiting, False
        return waiting, True


@contextmanager
def _transaction(connection: sqlite3.Connection, begin: str) -> Iterator[Transaction]:
    cursor = connection.cursor()
    cursor.execute(begin)
    try:
        yield Transaction(cursor, _DIALECT)
        cursor.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            cursor.execute("ROLLBACK")
        raise
    finally:
        cursor.close()


def _write_together(connection: sqlite3.Connection, waiting: Sequence[tuple[Unit[Any], Future[Any]]]) -> None:
    """Run all units in one transaction; where one of them raises, run each in a transaction of its own."""
    try:
        with _transaction(connection, "BEGIN IMMEDIATE") as transaction:
            results = [unit(transaction) for unit, _ in waiting]
    except Exception:
        for unit, future in waiting:
            _write_alone(connection, unit, future)
        return
    for (_, future), result in zip(waiting, results, strict=True):
        future.set_result(result)


def _write_alone(connection: sqlite3.Connection, unit: Unit[Any], future: Future[Any]) -> None:
    try:
        with _transaction(connection, "BEGIN IMMEDIATE") as transaction:
            result = unit(transaction)
    except sqlite3.Error as error:
        future.set_exception(_unavailable(error))
    except Exception as error:
        future.set_exception(error)
    else:
        future.set_result(result)
