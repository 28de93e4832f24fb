"""Opens the store: its one writer, and readers beside it."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

from service.storage.database import Connection, cannot_open, unavailable
from service.storage.group_commit import GroupCommitWriter, Joint, Waiting, run_in_order
from service.storage.open_database import database_at
from service.storage.statements import Transaction

T = TypeVar("T")
I = TypeVar("I")  # noqa: E741 - the item of a joint unit, beside its result T.
Unit = Callable[[Transaction], T]
"""A unit of work: reads and writes in the transaction it is given, and can be run again from the start."""


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
        self._local = threading.local()
        self._connections: list[Connection] = []
        self._connections_lock = threading.Lock()
        self._reading = ThreadPoolExecutor(max_workers=4, thread_name_prefix="store-reader")
        self._writer: GroupCommitWriter[Transaction] = GroupCommitWriter(
            "store-writer",
            lambda: self._connection_of_thread("writer"),
            self.database.errors,
            run=self._run,
            committed=self._call_listeners,
        )
        self._after_commit: list[Callable[[], None]] = []

    def open(self) -> None:
        """Bring the database to the newest schema and start the writer.

        Raises Unavailable where it cannot be opened or written.
        """
        errors: tuple[type[Exception], ...] = (OSError, *self.database.errors)
        try:
            self.database.bring_to_newest_schema()
        except errors as error:
            raise cannot_open(self.database, error) from error
        self._writer.start()

    def close(self) -> None:
        """Commit what waits, then end the writer and the readers."""
        if not self._writer.close():
            return
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
        return await self._writer.write(unit, on_loop=on_loop)

    async def write_jointly(self, do: Callable[[Transaction, Sequence[I]], Sequence[T]], item: I) -> T:
        """Have `do` run with `item` and all the others that wait for it, and return the result for this one.

        What asks the database about all of them at once is then asked once for each commit.
        """
        return await self._writer.write_jointly(Joint(do, item), on_loop=not self.database.is_shared)

    def write_now(self, unit: Unit[T]) -> T:
        """Run `unit` in the writer and wait for it; for callers without an event loop."""
        return self._writer.write_now(unit)

    async def claim(self, unit: Unit[T]) -> T:
        """Run `unit`, which takes or gives back single rows and appends nothing to the log, and commit it.

        Where several machines share the database it runs beside the writer, past the rows that others hold.
        """
        if not self.database.is_shared:
            return await self._writer.write(unit, on_loop=True, is_claim=True)
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

    def _call_listeners(self, waiting: Sequence[Waiting[Transaction, Any]]) -> None:
        if not all(one.is_claim for one in waiting):
            for listener in self._after_commit:
                listener()

    def _run(self, transaction: Transaction, waiting: Sequence[Waiting[Transaction, Any]]) -> list[Any]:
        """Return the results of the units, those of an event loop having run on its thread."""
        results: dict[int, Any] = {}
        by_loop: dict[asyncio.AbstractEventLoop | None, list[int]] = {}
        for place, one in enumerate(waiting):
            by_loop.setdefault(one.loop if one.on_loop else None, []).append(place)
        for loop, places in by_loop.items():
            run = partial(run_in_order, transaction, [waiting[place] for place in places])
            own = run() if loop is None else _RunOnLoop(run).wait(loop, lambda: self._writer.is_closing)
            results |= zip(places, own, strict=True)
        return [results[place] for place in range(len(waiting))]


class _RunOnLoop:
    """Units that an event loop's thread runs while the writer waits; the writer runs them where it does not."""

    def __init__(self, run_units: Callable[[], list[Any]]) -> None:
        self._run_units = run_units
        self._claim = threading.Lock()
        self._done = threading.Event()
        self._results: list[Any] = []
        self._error: BaseException | None = None

    def wait(self, loop: asyncio.AbstractEventLoop, is_closing: Callable[[], bool]) -> list[Any]:
        """Return the results; raise what a unit raised."""
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
            self._results = self._run_units()
        except BaseException as error:
            self._error = error
        finally:
            self._done.set()
