"""The worker's loop: asks the destination what it can do, leases lanes, and serves several at a time."""

from __future__ import annotations

import asyncio
import contextlib
import random
import secrets
from datetime import datetime, timedelta

import structlog

from service import metrics
from service.clock import Clock
from service.delivery.authorise import NotAuthorisedError
from service.delivery.destination_state import DestinationState
from service.delivery.exchange import UnreachableError
from service.delivery.fhir_client import FhirClient
from service.delivery.plan_retry import next_attempt
from service.delivery.read_capabilities import NotAFhirServerError, choose_strategy
from service.outbox.choose_batch import LOOK_AGAIN, SendingRules
from service.outbox.keep_attempt import SettlingRules
from service.problems import Unavailable
from service.records.instants import stamp
from service.settings import Settings
from service.storage.lanes import Lease, LeaseLostError, Moments, claim_lanes, end_all_leases
from service.storage.store import Store
from service.worker.read_ahead import read_ahead
from service.worker.read_back import ACTOR
from service.worker.schedule_read_back import ReadBackSchedule
from service.worker.serve_lane import LaneServer

_POLL_SECONDS = 1.0

_ACTIVE = timedelta(minutes=5)
"""How recently something must have been added for a case to count as being worked in: the rhythm alone is assessed
every two minutes (common practice, no source)."""

log = structlog.get_logger(__name__)


class Worker:
    """Delivers from one store to one destination until it is stopped; `destination` shows what it knows of that."""

    def __init__(
        self, store: Store, client: FhirClient, settings: Settings, destination: DestinationState, clock: Clock
    ) -> None:
        self._store = store
        self._client = client
        self._settings = settings
        self._clock = clock
        self._random = random.Random()  # noqa: S311 - jitter, not a secret.
        self._busy: set[str] = set()
        self._wake = asyncio.Event()
        self._stopped = asyncio.Event()
        self._destination = destination
        # A minute more, since clocks that are kept well differ a little too.
        self._longest_pause = max(timedelta(seconds=settings.retry_max_seconds), LOOK_AGAIN) + timedelta(minutes=1)
        # An exchange may take twice the time of one answer, for renewed credentials; the lease outlives it.
        send_seconds = 2 * settings.timeout_seconds
        self._lease = Lease(secrets.token_hex(16), timedelta(seconds=send_seconds + 10))
        self._server = LaneServer(
            store,
            client,
            destination,
            clock,
            ACTOR,
            SendingRules(
                settings.bundle_max_entries,
                settings.bundle_max_bytes,
                settings.left_out_types,
                self._longest_pause,
            ),
            SettlingRules(self._plan, settings.retry_most_errors),
            self._lease,
            send_seconds,
        )

    async def run(self) -> None:
        """Deliver until `stop`; what is under way is finished first."""
        loop = asyncio.get_running_loop()
        self._store.call_after_commit(lambda: _set_from_thread(loop, self._wake))
        is_standing_by = False
        while not self._stopped.is_set():
            with self._store.database.hold_delivery_right() as is_ours:
                if is_ours:
                    await self._deliver_until_stopped()
                    return
            if not is_standing_by:
                log.info("delivery_standing_by", reason="another process delivers from this store")
                is_standing_by = True
            # What is committed here is for the other process, so it must not end this pause.
            await self._until_stopped(_POLL_SECONDS)

    def stop(self) -> None:
        """Have `run` end once what is under way is finished."""
        self._stopped.set()
        self._wake.set()

    async def _deliver_until_stopped(self) -> None:
        running: set[asyncio.Task[None]] = set()
        if self._settings.verify_hours:
            schedule = ReadBackSchedule(self._store, self._client, self._clock, self._lease.holder)
            hours = self._settings.verify_hours
            running.add(asyncio.create_task(schedule.run(hours, self._destination, self._stopped)))
        reading = asyncio.create_task(self._read_ahead_regularly())
        if not self._store.database.is_shared:
            await self._end_leases_left_behind()
        while not self._stopped.is_set():
            self._wake.clear()
            if not self._destination.is_usable and not await self._ask_after_pause():
                continue
            for lane in await self._claim():
                self._busy.add(lane)
                task = asyncio.create_task(self._serve_lane(lane))
                running.add(task)
                task.add_done_callback(running.discard)
            await self._pause(_POLL_SECONDS)
        await asyncio.wait([*running, reading])

    async def _end_leases_left_behind(self) -> None:
        """End the leases of a process that was killed; whoever has the right to deliver is alone."""
        while not self._stopped.is_set():
            try:
                await self._store.claim(end_all_leases)
            except Unavailable:
                log.error("store_unavailable")  # noqa: TRY400 - a trace may hold values.
                await self._until_stopped(_POLL_SECONDS)
            else:
                return

    async def _read_ahead_regularly(self) -> None:
        """Read what waits while the destination is down."""
        last = 0
        while not self._stopped.is_set():
            try:
                last = await read_ahead(self._store, self._is_down, last)
            except Unavailable:
                log.error("store_unavailable")  # noqa: TRY400 - a trace may hold values.
            await self._until_stopped(_POLL_SECONDS)

    def _is_down(self) -> bool:
        return not self._stopped.is_set() and not self._destination.is_usable

    async def _until_stopped(self, seconds: float) -> None:
        """Wait for a time, or until the worker is stopped."""
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(self._stopped.wait(), seconds)

    async def _pause(self, seconds: float) -> None:
        """Wait until something was committed, a lane has finished, or the time has passed."""
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(self._wake.wait(), seconds)

    def _plan(self, now: datetime, attempts: int, asked_seconds: float | None) -> datetime:
        limits = (self._settings.retry_first_seconds, self._settings.retry_max_seconds)
        return next_attempt(now, attempts, limits, asked_seconds, self._random.random())

    async def _ask_after_pause(self) -> bool:
        """Ask the server what it can do, after a pause where it has failed; return whether it can be used."""
        state = self._destination
        if state.circuit.openings:
            now = self._clock()
            pause = self._plan(now, state.circuit.openings, state.circuit.after_seconds) - now
            await self._until_stopped(pause.total_seconds())
        if self._stopped.is_set():
            return False
        try:
            capabilities = await self._client.capabilities()
        except (UnreachableError, NotAFhirServerError, NotAuthorisedError) as error:
            state.give_no_answer(str(error))
            metrics.destination_up.set(0)
            log.warning("destination_unusable", reason=str(error))
            return False
        state.answer(capabilities, choose_strategy(capabilities, state.needed, self._settings.strategy))
        metrics.destination_up.set(1)
        log.info("destination_ready", strategy=state.strategy.value)
        return True

    async def _claim(self) -> list[str]:
        """Lease lanes for the free connections; none while the store does not answer."""
        most = self._destination.circuit.lanes(self._settings.connections) - len(self._busy)
        if most <= 0:
            return []
        now = self._clock()
        moments = Moments(stamp(now), stamp(now - _ACTIVE), stamp(now + self._longest_pause))
        try:
            lanes = await self._store.claim(lambda tx: claim_lanes(tx, self._lease, moments, most))
        except Unavailable:
            # The store is asked again after the usual pause; the worker must outlive a moment of its weakness.
            log.error("store_unavailable")  # noqa: TRY400 - a trace may hold values.
            return []
        # Where a clock was set forward, a lease seems to have ended that is still in use here.
        return [lane for lane in lanes if lane not in self._busy]

    async def _serve_lane(self, lane: str) -> None:
        try:
            await self._server.serve(lane, self._stopped.is_set)
        except LeaseLostError:
            log.warning("lease_lost", lane=lane)
        except Exception as error:
            # The store still says that the lane waits, so it is taken up again once the lease has ended.
            log.error("delivery_lane_failed", lane=lane, error=type(error).__name__)  # noqa: TRY400 - a trace may hold values.
            await self._let_go(lane)
        finally:
            self._busy.discard(lane)
            self._wake.set()

    async def _let_go(self, lane: str) -> None:
        """End the lease of a lane once the store answers again."""
        while not self._stopped.is_set():
            await self._until_stopped(_POLL_SECONDS)
            with contextlib.suppress(Unavailable):
                await self._server.let_go(lane)
                return


def _set_from_thread(loop: asyncio.AbstractEventLoop, event: asyncio.Event) -> None:
    """Set an event of a loop from another thread; a loop that has closed needs it no more."""
    with contextlib.suppress(RuntimeError):
        loop.call_soon_threadsafe(event.set)
