"""The worker's loop: asks the destination what it can do, then serves the lanes, several at a time."""

from __future__ import annotations

import asyncio
import contextlib
import random
from collections.abc import Collection, Sequence
from datetime import datetime, timedelta
from functools import partial

import structlog

from service import metrics
from service.checking.read_with_models import read_with_models
from service.clock import Clock
from service.delivery.authorise import NotAuthorisedError
from service.delivery.build_bundle import Outgoing
from service.delivery.destination_state import DestinationState
from service.delivery.exchange import UnreachableError
from service.delivery.fhir_client import FhirClient
from service.delivery.judge_answer import DestinationWrong, Later, Refused, Verdict, judge_answer
from service.delivery.plan_retry import next_attempt
from service.delivery.read_capabilities import NotAFhirServerError, choose_strategy
from service.exact_json import read_json
from service.problems import Unavailable
from service.records.finding import Finding
from service.records.instants import parse_instant, stamp
from service.records.receipts import Receipt
from service.settings import Settings
from service.storage.deliveries import Delivery
from service.storage.hold_delivery_right import hold_delivery_right
from service.storage.read_backs import last_read_back
from service.storage.store import Store
from service.worker.batch import Batch, load_batch
from service.worker.choose_deliveries import BundleLimits, choose_deliveries
from service.worker.keep_attempt import leave_out, settle_attempt, start_attempt
from service.worker.read_back import ACTOR, read_back

_POLL_SECONDS = 1.0
_MOST_READ_BACK_POLL_SECONDS = 60.0

log = structlog.get_logger(__name__)


class Worker:
    """Delivers from one store to one destination until it is stopped; `needed` are the types that it sends."""

    def __init__(
        self, store: Store, client: FhirClient, settings: Settings, needed: Collection[str], clock: Clock
    ) -> None:
        self._store = store
        self._client = client
        self._settings = settings
        self._clock = clock
        self._random = random.Random()  # noqa: S311 - jitter, not a secret.
        self._busy: set[str] = set()
        self._stopping = False
        self._wake = asyncio.Event()
        self._stopped = asyncio.Event()
        self.destination = DestinationState(
            client.base, frozenset(needed) - settings.left_out_types, settings.left_out_types & frozenset(needed)
        )

    async def run(self) -> None:
        """Deliver until `stop`; what is under way is finished first."""
        loop = asyncio.get_running_loop()
        self._store.call_after_commit(lambda: _set_from_thread(loop, self._wake))
        while not self._stopping:
            with hold_delivery_right(self._store.file) as is_ours:
                if is_ours:
                    await self._deliver_until_stopped()
                    return
            log.info("delivery_standing_by", reason="another process delivers from this store")
            await self._pause(_POLL_SECONDS)

    def stop(self) -> None:
        """Have `run` end once what is under way is finished."""
        self._stopping = True
        self._stopped.set()
        self._wake.set()

    async def _deliver_until_stopped(self) -> None:
        running: set[asyncio.Task[None]] = set()
        if self._settings.verify_hours:
            running.add(asyncio.create_task(self._read_back_regularly()))
        failures = 0
        while not self._stopping:
            self._wake.clear()
            if self.destination.problem is not None and not await self._ask_destination():
                failures += 1
                await asyncio.sleep((self._plan(self._clock(), failures, None) - self._clock()).total_seconds())
                continue
            failures = 0
            free = self._settings.connections - len(self._busy)
            for lane, members in await self._choose(free):
                self._busy.add(lane)
                task = asyncio.create_task(self._serve_lane(lane, members))
                running.add(task)
                task.add_done_callback(running.discard)
            await self._pause(_POLL_SECONDS)
        if running:
            await asyncio.wait(running)

    async def _read_back_regularly(self) -> None:
        """Read back what was delivered whenever the hours of the settings have passed since the last run."""
        interval = timedelta(hours=self._settings.verify_hours)
        pause = min(interval.total_seconds() / 10, _MOST_READ_BACK_POLL_SECONDS)
        while not self._stopping:
            try:
                last = await self._store.read(last_read_back)
                due = last is None or parse_instant(last) + interval <= self._clock()
                if due and self.destination.problem is None:
                    report = await read_back(self._store, self._client, self._clock)
                    counts = {result.value: count for result, count in report.total.items()}
                    log.info("read_back_done", problem=report.problem, **counts)
            except Exception as error:
                # The next round tries again; a delivery must not end by a read-back that went wrong.
                log.error("read_back_failed", error=type(error).__name__)  # noqa: TRY400 - a trace may hold values.
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._stopped.wait(), pause)

    async def _pause(self, seconds: float) -> None:
        """Wait until something was committed, a lane has finished, or the time has passed."""
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(self._wake.wait(), seconds)

    def _plan(self, now: datetime, attempts: int, asked_seconds: float | None) -> datetime:
        limits = (self._settings.retry_first_seconds, self._settings.retry_max_seconds)
        return next_attempt(now, attempts, limits, asked_seconds, self._random.random())

    def _receipt(self) -> Receipt:
        return Receipt(ACTOR, self._clock())

    async def _ask_destination(self) -> bool:
        """Ask the server what it can do; return whether it can be used."""
        state = self.destination
        try:
            state.capabilities = await self._client.capabilities()
        except (UnreachableError, NotAFhirServerError, NotAuthorisedError) as error:
            state.problem = str(error)
            metrics.destination_up.set(0)
            log.warning("destination_unusable", reason=str(error))
            return False
        state.strategy = choose_strategy(state.capabilities, state.needed, self._settings.strategy)
        state.problem = None
        metrics.destination_up.set(1)
        log.info("destination_ready", strategy=state.strategy.value)
        return True

    async def _choose(self, most_lanes: int) -> list[tuple[str, list[Delivery]]]:
        """Return what can go out now, of at most so many lanes; nothing while the store does not answer."""
        limits = BundleLimits(self._settings.bundle_max_entries, self._settings.bundle_max_bytes)
        now, busy = stamp(self._clock()), frozenset(self._busy)
        try:
            return await self._store.read(lambda tx: choose_deliveries(tx, now, busy, most_lanes, limits))
        except Unavailable:
            # The store is asked again after the usual pause; the worker must outlive a moment of its weakness.
            log.error("store_unavailable")  # noqa: TRY400 - a trace may hold values.
            return []

    async def _serve_lane(self, lane: str, members: Sequence[Delivery]) -> None:
        try:
            strategy, left_out = self.destination.strategy, self._settings.left_out_types
            batch = await self._store.read(lambda tx: load_batch(tx, members, strategy, left_out))
            if batch.body is None:
                batch = await self._without_invalid(batch)
            if batch.members:
                await self._send(batch)
        except Exception as error:
            # The store still says that the lane waits, so it is taken up again.
            log.error("delivery_lane_failed", lane=lane, error=type(error).__name__)  # noqa: TRY400 - a trace may hold values.
            await asyncio.sleep(_POLL_SECONDS)
        finally:
            self._busy.discard(lane)
            self._wake.set()

    async def _without_invalid(self, batch: Batch) -> Batch:
        """Return the batch without the deliveries that the second reader refuses; those are held."""
        good: list[int] = []
        for place, resources in enumerate(batch.resources):
            findings = await asyncio.to_thread(_second_reading, resources)
            if not findings:
                good.append(place)
                continue
            verdict = Refused("the second reader refuses a resource; it was not sent", _outcome_of(findings))
            await self._settle(batch.only([place]), verdict)
        return batch.only(good)

    async def _send(self, batch: Batch) -> None:
        if not batch.sent:
            await self._store.write(partial(leave_out, batch=batch, receipt=self._receipt()))
            return
        body = batch.bytes_for(self._client.base)
        started = await self._store.write(partial(start_attempt, batch=batch, body=body, receipt=self._receipt()))
        verdict: Verdict
        try:
            answer = await self._client.post_bundle(body)
        except UnreachableError as error:
            verdict = Later(str(error))
            self.destination.problem = str(error)
        except NotAuthorisedError as error:
            verdict = DestinationWrong(str(error))
        else:
            verdict = judge_answer(answer, len(batch.sent), self._clock())
        if isinstance(verdict, DestinationWrong):
            self.destination.problem = verdict.reason
        metrics.attempts.labels(type(verdict).__name__.lower()).inc()
        await self._settle(started, verdict)

    async def _settle(self, batch: Batch, verdict: Verdict) -> None:
        await self._store.write(
            partial(settle_attempt, batch=batch, verdict=verdict, receipt=self._receipt(), plan=self._plan)
        )


def _second_reading(resources: Sequence[Outgoing]) -> list[Finding]:
    return [
        finding
        for resource in resources
        for finding in read_with_models(read_json(resource.body))
        if finding.severity == "error"
    ]


def _outcome_of(findings: Sequence[Finding]) -> dict[str, object]:
    return {
        "resourceType": "OperationOutcome",
        "issue": [
            {"severity": "error", "code": "invalid", "diagnostics": finding.message, "expression": [finding.path]}
            for finding in findings
        ],
    }


def _set_from_thread(loop: asyncio.AbstractEventLoop, event: asyncio.Event) -> None:
    """Set an event of a loop from another thread; a loop that has closed needs it no more."""
    with contextlib.suppress(RuntimeError):
        loop.call_soon_threadsafe(event.set)
