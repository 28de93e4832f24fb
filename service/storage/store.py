"""Opens the store: one thread that writes and commits what waits together, and readers beside it."""

from __future__ import annotations

import asyncio
import queue
import threading
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path
from typing import Any, Generic, TypeVar, cast

from service.problems import Code, Problem, Unavailable
from service.storage.database import Connection, cannot_open, unavailable
from service.storage.open_database import database_at
from service.storage.statements import Transaction

T = TypeVar("T")
Unit = Callable[[Transaction], T]
"""A unit of work: reads and writes in the transaction it is given, and can be run again from the start."""

_MOST_TOGETHER = 64
"""How many units share a commit: enough to make its cost small, few enough not to keep the event loop long."""


class _Waiting(Generic[T]):
    """A unit that waits for the writer. `loop` is that of the caller, and None where a thread waits for it."""

    __slots__ = ("future", "is_claim", "loop", "on_loop", "unit")

    def __init__(
        self, unit: Unit[T], loop: asyncio.AbstractEventLoop | None, *, on_loop: bool, is_claim: bool = False
    ) -> None:
        self.unit = unit
        self.loop = loop
        self.on_loop = on_loop
        self.is_claim = is_claim
        self.future: Future[T] | asyncio.Future[T] = Future() if loop is None else loop.create_future()


class Store:
    """The store in one database.

    `write` returns after the commit is on the disk. Units that wait at the same time share one commit; a unit
    that raises is rolled back alone and its exception reaches its caller.

    One thread begins and commits. Where the database is a file, the units of an event loop run on that loop's own
    thread in between: they are short, and two threads that take turns at the interpreter cost several times what
    the units do. A server over the network may keep a unit waiting, which a loop must not.
    """

    def __init__(self, location: Path | str) -> None:
        self.database = database_at(location)
        self._units: queue.SimpleQueue[_Waiting[Any] | None] = queue.SimpleQueue()
        self._local = threading.local()
        self._connections: list[Connection] = []
        self._connections_lock = threading.Lock()
        self._reading = ThreadPoolExecutor(max_workers=4, thread_name_prefix="store-reader")
        self._writer = threading.Thread(target=self._write_until_closed, name="store-writer", daemon=True)
        self._closed = False
        self._after_commit: list[Callable[[], None]] = []

    def open(self) -> None:
        """Bring the database to the newest schema and start the writer.

        Raises Unavailable where it cannot be opened or written.
        """
        errors = self._errors_of_connecting
        try:
            self.database.bring_to_newest_schema()
        except errors as error:
            raise cannot_open(self.database, error) from error
        self._writer.start()

    @property
    def _errors_of_connecting(self) -> tuple[type[Exception], ...]:
        return (OSError, *self.database.errors)

    def close(self) -> None:
        """Commit what waits, then end the writer and the readers."""
        if self._closed:
            return
        self._closed = True
        self._units.put(None)
        if self._writer.ident is not None:
            self._writer.join()
        self._reading.shutdown()
        with self._connections_lock:
            for connection in self._connections:
                connection.close()

    def call_after_commit(self, listener: Callable[[], None]) -> None:
        """Have `listener` called, on the writer's thread, after every commit that was not of claims alone."""
        self._after_commit.append(listener)

    async def write(self, unit: Unit[T], *, is_long: bool = False) -> T:
        """Run `unit` in the next transaction and return its result once it is on the disk.

        A unit that takes longer than some milliseconds is to say so: it then runs on the writer's thread, so that
        the event loop can serve others meanwhile.
        """
        on_loop = not is_long and not self.database.is_shared
        waiting: _Waiting[T] = _Waiting(unit, asyncio.get_running_loop(), on_loop=on_loop)
        self._submit(waiting)
        return await cast(asyncio.Future[T], waiting.future)

    def write_now(self, unit: Unit[T]) -> T:
        """Run `unit` in the writer and wait for it; for callers without an event loop."""
        waiting: _Waiting[T] = _Waiting(unit, None, on_loop=False)
        self._submit(waiting)
        return cast(Future[T], waiting.future).result()

    async def claim(self, unit: Unit[T]) -> T:
        """Run `unit`, which takes or gives back single rows and appends nothing to the log, and commit it.

        Where several machines share the database it runs beside the writer, past the rows that others hold.
        """
        if not self.database.is_shared:
            waiting: _Waiting[T] = _Waiting(unit, asyncio.get_running_loop(), on_loop=True, is_claim=True)
            self._submit(waiting)
            return await cast(asyncio.Future[T], waiting.future)
        return await asyncio.get_running_loop().run_in_executor(self._reading, self._claim_now, unit)

    async def read(self, unit: Unit[T]) -> T:
        """Run `unit`, which only reads, on a snapshot of the store."""
        return await asyncio.get_running_loop().run_in_executor(self._reading, self.read_now, unit)

    def read_now(self, unit: Unit[T]) -> T:
        """Run `unit`, which only reads, on a snapshot of the store, on this thread."""
        return self._run_apart(unit, "reader")

    def _claim_now(self, unit: Unit[T]) -> T:
        return self._run_apart(unit, "claimer")

    def _run_apart(self, unit: Unit[T], role: str) -> T:
        """Run a unit on this thread's own connection of a role; once more where its session had ended meanwhile."""
        connection: Connection | None = None
        for is_last in (False, True):
            try:
                connection = self._connection_of_thread(role)
                with connection.reading() if role == "reader" else connection.claiming() as transaction:
                    return unit(transaction)
            except self.database.errors as error:
                if is_last or connection is None or not connection.is_broken:
                    raise unavailable(error) from error
        raise AssertionError("the second round returns or raises")

    def _connection_of_thread(self, role: str) -> Connection:
        connection: Connection | None = getattr(self._local, role, None)
        if connection is None or connection.is_broken:
            connection = self.database.connect(reads_only=role == "reader")
            setattr(self._local, role, connection)
            with self._connections_lock:
                self._connections = [one for one in self._connections if not one.is_broken]
                self._connections.append(connection)
        return connection

    def _submit(self, waiting: _Waiting[Any]) -> None:
        if self._closed:
            raise Unavailable([Problem(Code.STORE_UNAVAILABLE, "", "the service is stopping", "try again later")])
        self._units.put(waiting)

    def _write_until_closed(self) -> None:
        while True:
            waiting, closing = self._take_what_waits()
            if waiting:
                self._write_together(waiting)
                if not all(one.is_claim for one in waiting):
                    for listener in self._after_commit:
                        listener()
            if closing:
                return

    def _take_what_waits(self) -> tuple[list[_Waiting[Any]], bool]:
        """Return the units that wait, at least one unless the store closes, and whether it closes."""
        waiting: list[_Waiting[Any]] = []
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

    def _write_together(self, waiting: Sequence[_Waiting[Any]]) -> None:
        """Run all units in one transaction; where one of them raises, run each in a transaction of its own."""
        try:
            with self._connection_of_thread("writer").writing() as transaction:
                results = self._run(transaction, waiting)
        except Exception:
            self._write_one_by_one(waiting)
        else:
            _settle([(one, result, None) for one, result in zip(waiting, results, strict=True)])

    def _write_one_by_one(self, waiting: Sequence[_Waiting[Any]]) -> None:
        """Run each unit in a transaction of its own; where no connection can be made, none of the rest is run."""
        errors = self._errors_of_connecting
        for place, one in enumerate(waiting):
            try:
                connection = self._connection_of_thread("writer")
            except errors as error:
                _settle([(each, None, unavailable(error)) for each in waiting[place:]])
                return
            self._write_alone(connection, one)

    def _write_alone(self, connection: Connection, waiting: _Waiting[Any]) -> None:
        try:
            with connection.writing() as transaction:
                (result,) = self._run(transaction, [waiting])
        except self.database.errors as error:
            _settle([(waiting, None, unavailable(error))])
        except Exception as error:
            _settle([(waiting, None, error)])
        else:
            _settle([(waiting, result, None)])

    def _run(self, transaction: Transaction, waiting: Sequence[_Waiting[Any]]) -> list[Any]:
        """Return the results of the units, those of an event loop having run on its thread."""
        results: dict[int, Any] = {}
        by_loop: dict[asyncio.AbstractEventLoop, list[tuple[int, Unit[Any]]]] = {}
        for place, one in enumerate(waiting):
            if one.on_loop and one.loop is not None:
                by_loop.setdefault(one.loop, []).append((place, one.unit))
            else:
                results[place] = one.unit(transaction)
        for loop, units in by_loop.items():
            results |= _RunOnLoop(transaction, units).wait(loop, lambda: self._closed)
        return [results[place] for place in range(len(waiting))]


class _RunOnLoop:
    """Units that an event loop's thread runs while the writer waits; the writer runs them where it does not."""

    def __init__(self, transaction: Transaction, units: Sequence[tuple[int, Unit[Any]]]) -> None:
        self._transaction = transaction
        self._units = units
        self._claim = threading.Lock()
        self._done = threading.Event()
        self._results: dict[int, Any] = {}
        self._error: BaseException | None = None

    def wait(self, loop: asyncio.AbstractEventLoop, is_closing: Callable[[], bool]) -> dict[int, Any]:
        """Return the results by place; raise what a unit raised."""
        try:
            loop.call_soon_threadsafe(self._run)
        except RuntimeError:
            self._run()  # The loop has ended, and nobody waits for the results but the disk.
        # Whoever closes the store may do so from the loop's own thread, which then cannot run anything.
        while not self._done.wait(0.1):
            if is_closing():
                self._run()
        if self._error is not None:
            raise self._error
        return self._results

    def _run(self) -> None:
        if not self._claim.acquire(blocking=False):
            return
        try:
            for place, unit in self._units:
                self._results[place] = unit(self._transaction)
        except BaseException as error:
            self._error = error
        finally:
            self._done.set()


def _settle(settled: Sequence[tuple[_Waiting[Any], Any, Exception | None]]) -> None:
    """Give each caller its result or its exception; one call into each event loop does for all of its callers."""
    by_loop: dict[asyncio.AbstractEventLoop, list[tuple[_Waiting[Any], Any, Exception | None]]] = {}
    for waiting, result, error in settled:
        if waiting.loop is None:
            _set(waiting.future, result, error)
        else:
            by_loop.setdefault(waiting.loop, []).append((waiting, result, error))
    for loop, some in by_loop.items():
        # A loop that has ended has nobody left who waits.
        with suppress(RuntimeError):
            loop.call_soon_threadsafe(_set_all, some)


def _set_all(settled: Sequence[tuple[_Waiting[Any], Any, Exception | None]]) -> None:
    for waiting, result, error in settled:
        _set(waiting.future, result, error)


def _set(future: Future[Any] | asyncio.Future[Any], result: Any, error: Exception | None) -> None:
    if future.done():
        return  # The caller was cancelled; what it asked for is kept all the same.
    if error is None:
        future.set_result(result)
    else:
        future.set_exception(error)
