"""Writes for a store: one thread that runs the units that wait together and commits them once."""

from __future__ import annotations

import asyncio
import queue
import threading
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from contextlib import AbstractContextManager, suppress
from dataclasses import dataclass
from typing import Any, Generic, Protocol, TypeVar, cast

from service.pause_collection import collection_delayed
from service.problems import Code, Problem, Unavailable
from service.storage.database import unavailable

_MOST_TOGETHER = 64
"""How many units share a commit: enough to make its cost small, few enough not to keep the event loop long."""

Tx = TypeVar("Tx")
OpenedTx_co = TypeVar("OpenedTx_co", covariant=True)
T = TypeVar("T")


class WritingConnection(Protocol[OpenedTx_co]):
    """One connection to a store that is written."""

    def writing(self) -> AbstractContextManager[OpenedTx_co]:
        """Begin a transaction beside which no other writer runs; commit it at the end, roll it back on an error."""


@dataclass(frozen=True, slots=True)
class Joint(Generic[Tx, T]):
    """One of several things that one function does together: it takes all of them and returns a result for each."""

    do: Callable[[Tx, Sequence[Any]], Sequence[T]]
    item: Any


class Waiting(Generic[Tx, T]):
    """A unit that waits for the writer. `loop` is that of the caller, and None where a thread waits for it.

    `joint` is given where units of one sort can be run as one; `unit` does the same for this one alone.
    """

    __slots__ = ("future", "is_claim", "joint", "loop", "on_loop", "unit")

    def __init__(
        self,
        unit: Callable[[Tx], T],
        loop: asyncio.AbstractEventLoop | None,
        *,
        on_loop: bool = False,
        is_claim: bool = False,
        joint: Joint[Tx, T] | None = None,
    ) -> None:
        self.unit = unit
        self.joint = joint
        self.loop = loop
        self.on_loop = on_loop
        self.is_claim = is_claim
        self.future: Future[T] | asyncio.Future[T] = Future() if loop is None else loop.create_future()


RunUnits = Callable[[Tx, Sequence[Waiting[Tx, Any]]], list[Any]]
"""Returns the results of the units in one transaction; raises what one of them raised."""


def run_in_order(transaction: Tx, waiting: Sequence[Waiting[Tx, Any]]) -> list[Any]:
    """Return the results of the units, run on this thread; those that can be run as one are."""
    results: dict[int, Any] = {}
    together: dict[Callable[[Tx, Sequence[Any]], Sequence[Any]], list[int]] = {}
    for place, one in enumerate(waiting):
        if one.joint is None:
            results[place] = one.unit(transaction)
        else:
            together.setdefault(one.joint.do, []).append(place)
    for do, places in together.items():
        items = [joint.item for place in places if (joint := waiting[place].joint) is not None]
        results |= zip(places, do(transaction, items), strict=True)
    return [results[place] for place in range(len(waiting))]


class GroupCommitWriter(Generic[Tx]):
    """The one writer of a store.

    `write` and `write_now` return after the commit is on the disk. Units that wait at the same time share one
    commit. Where one of them raises, the transaction is rolled back and each is run again in a transaction of its
    own, so that a unit that raises is undone alone and its exception reaches its caller. So a unit must do the same
    when it is run again from the start.

    `connect` returns the connection to write with, an earlier one where it can still be used. What it raises, and
    those of the units' exceptions that are `errors`, reach the callers as Unavailable.
    """

    def __init__(
        self,
        name: str,
        connect: Callable[[], WritingConnection[Tx]],
        errors: tuple[type[Exception], ...],
        *,
        run: RunUnits[Tx] = run_in_order,
        committed: Callable[[Sequence[Waiting[Tx, Any]]], None] = lambda _: None,
    ) -> None:
        self._connect = connect
        self._errors = errors
        self._run = run
        self._committed = committed
        self._units: queue.SimpleQueue[Waiting[Tx, Any] | None] = queue.SimpleQueue()
        self._thread = threading.Thread(target=self._write_until_closed, name=name, daemon=True)
        self._closing = threading.Lock()
        self._closed = False

    @property
    def is_closing(self) -> bool:
        """Return whether no more units are taken."""
        return self._closed

    @property
    def waiting_count(self) -> int:
        """Return how many units wait for the writer."""
        return self._units.qsize()

    def start(self) -> None:
        """Begin to write."""
        self._thread.start()

    def close(self) -> bool:
        """Commit what waits and end the writer; return whether it was open until now."""
        with self._closing:
            if self._closed:
                return False
            self._closed = True
            self._units.put(None)
        if self._thread.ident is not None:
            self._thread.join()
        return True

    async def write(self, unit: Callable[[Tx], T], *, on_loop: bool = False, is_claim: bool = False) -> T:
        """Run `unit` in the next transaction and return its result once it is on the disk."""
        return await self._written(Waiting(unit, asyncio.get_running_loop(), on_loop=on_loop, is_claim=is_claim))

    async def write_jointly(self, joint: Joint[Tx, T], *, on_loop: bool = False) -> T:
        """Do the same for one of several things that are done together where they wait together."""
        return await self._written(
            Waiting(
                lambda transaction: joint.do(transaction, [joint.item])[0],
                asyncio.get_running_loop(),
                on_loop=on_loop,
                joint=joint,
            )
        )

    async def _written(self, waiting: Waiting[Tx, T]) -> T:
        self._submit(waiting)
        return await cast(asyncio.Future[T], waiting.future)

    def write_now(self, unit: Callable[[Tx], T]) -> T:
        """Do the same for a caller without an event loop, and wait for it."""
        waiting = Waiting(unit, None)
        self._submit(waiting)
        return cast(Future[T], waiting.future).result()

    def _submit(self, waiting: Waiting[Tx, Any]) -> None:
        with self._closing:
            if self._closed:
                raise Unavailable(
                    [Problem(Code.STORE_UNAVAILABLE, "", "the service is stopping", "try again later")]
                )
            self._units.put(waiting)

    def _write_until_closed(self) -> None:
        while True:
            waiting, closing = self._take_what_waits()
            if waiting:
                self._write_together(waiting)
                self._committed(waiting)
            if closing:
                return

    def _take_what_waits(self) -> tuple[list[Waiting[Tx, Any]], bool]:
        """Return the units that wait, at least one unless the store closes, and whether it closes."""
        waiting: list[Waiting[Tx, Any]] = []
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

    def _write_together(self, waiting: Sequence[Waiting[Tx, Any]]) -> None:
        """Run all units in one transaction; where one of them raises, run each in a transaction of its own."""
        try:
            with collection_delayed(), self._connect().writing() as transaction:
                results = self._run(transaction, waiting)
        except Exception:
            self._write_one_by_one(waiting)
        else:
            _settle([(one, result, None) for one, result in zip(waiting, results, strict=True)])

    def _write_one_by_one(self, waiting: Sequence[Waiting[Tx, Any]]) -> None:
        """Run each unit in a transaction of its own; where no connection can be made, none of the rest is run."""
        for place, one in enumerate(waiting):
            try:
                connection = self._connect()
            except Exception as error:
                _settle([(each, None, unavailable(error)) for each in waiting[place:]])
                return
            self._write_alone(connection, one)

    def _write_alone(self, connection: WritingConnection[Tx], waiting: Waiting[Tx, Any]) -> None:
        try:
            with connection.writing() as transaction:
                (result,) = self._run(transaction, [waiting])
        except Exception as error:
            _settle([(waiting, None, unavailable(error) if isinstance(error, self._errors) else error)])
        else:
            _settle([(waiting, result, None)])


_Settled = tuple[Waiting[Any, Any], Any, Exception | None]


def _settle(settled: Sequence[_Settled]) -> None:
    """Give each caller its result or its exception; one call into each event loop does for all of its callers."""
    by_loop: dict[asyncio.AbstractEventLoop, list[_Settled]] = {}
    for waiting, result, error in settled:
        if waiting.loop is None:
            _set(waiting.future, result, error)
        else:
            by_loop.setdefault(waiting.loop, []).append((waiting, result, error))
    for loop, some in by_loop.items():
        # A loop that has ended has nobody left who waits.
        with suppress(RuntimeError):
            loop.call_soon_threadsafe(_set_all, some)


def _set_all(settled: Sequence[_Settled]) -> None:
    for waiting, result, error in settled:
        _set(waiting.future, result, error)


def _set(future: Future[Any] | asyncio.Future[Any], result: Any, error: Exception | None) -> None:
    if future.done():
        return  # The caller was cancelled; what it asked for is kept all the same.
    if error is None:
        future.set_result(result)
    else:
        future.set_exception(error)
