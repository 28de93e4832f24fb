"""Delivers: brings what waits in the outbox to the FHIR server and keeps what became of it."""

from __future__ import annotations

import asyncio
import contextlib
import fcntl
import hashlib
import random
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any

import structlog

from service import metrics
from service.audit.append_entry import Action, Happening, append_entry
from service.checking.read_with_models import read_with_models
from service.clock import Clock
from service.delivery.build_bundle import Outgoing, build_bundle, sendable
from service.delivery.fhir_client import FhirClient, UnreachableError
from service.delivery.judge_answer import (
    Arrived,
    DestinationWrong,
    Later,
    Refused,
    TooLarge,
    Verdict,
    judge_answer,
    own_outcome,
)
from service.delivery.plan_retry import next_attempt
from service.delivery.read_capabilities import (
    Capabilities,
    NotAFhirServerError,
    choose_strategy,
    missing_capabilities,
)
from service.exact_json import read_json, write_json
from service.pipeline.keep_resources import references_in
from service.records.instants import stamp
from service.records.receipts import Receipt
from service.settings import Settings, Strategy
from service.storage.deliveries import (
    AttemptResult,
    Delivery,
    batch_body,
    deliveries_of_batch,
    dissolve_batch,
    find_delivery,
    keep_batch,
    keep_remote_id,
    oldest_waiting,
    record_attempt,
    remote_id,
    resources_of_delivery,
    waits_of,
)
from service.storage.statements import Transaction
from service.storage.store import Store

ACTOR = "resus-fhir"
PRODUCED_TYPES = (
    "Patient",
    "Encounter",
    "Location",
    "Device",
    "Condition",
    "Procedure",
    "Observation",
    "MedicationAdministration",
    "Provenance",
    "Task",
)
"""The types that the mapping makes; a test holds this against the mapping data."""

_WINDOW = 500
_POLL_SECONDS = 1.0

log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True)
class Batch:
    """Deliveries of one lane that go out in one Bundle. `body` is set where it has been sent before."""

    members: tuple[Delivery, ...]
    outgoing: tuple[tuple[Outgoing, ...], ...]
    batch_id: int | None
    body: bytes | None
    remote_ids: Mapping[str, str]

    @property
    def resources(self) -> list[Outgoing]:
        """Return all resources of the batch in the order of their deliveries."""
        return [resource for member in self.outgoing for resource in member]


@dataclass(slots=True)
class DestinationState:
    """What the worker knows of its destination; shown by GET /v1/destination."""

    base: str
    capabilities: Capabilities | None = None
    strategy: Strategy = Strategy.AUTO
    problem: str | None = "not asked yet"

    def as_json(self) -> dict[str, Any]:
        """Return the state as the API shows it."""
        known = self.capabilities
        return {
            "base": self.base,
            "usable": known is not None and self.problem is None,
            "problem": self.problem,
            "fhir_version": known.fhir_version if known else None,
            "software": known.software if known else None,
            "strategy": self.strategy.value if known else None,
            "missing": missing_capabilities(known, PRODUCED_TYPES, self.strategy) if known else [],
            "types": {
                name: {
                    "client_ids": kind.update_create,
                    "conditional_create": kind.conditional_create,
                    "conditional_update": kind.conditional_update,
                }
                for name, kind in (known.types if known else {}).items()
                if name in PRODUCED_TYPES
            },
        }


@contextlib.contextmanager
def delivering_alone(store_file: Path) -> Iterator[bool]:
    """Hold the right to deliver from a store: one process at a time has it; yields whether this one does.

    The operating system takes the right back when the process ends, however it ends.
    """
    with store_file.with_name(store_file.name + ".delivering").open("w") as handle:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            yield False
            return
        yield True


class Worker:
    """Delivers from one store to one destination until it is stopped."""

    def __init__(self, store: Store, client: FhirClient, settings: Settings, clock: Clock) -> None:
        self._store = store
        self._client = client
        self._settings = settings
        self._clock = clock
        self._random = random.Random()  # noqa: S311 - jitter, not a secret.
        self._busy: set[str] = set()
        self._stopping = False
        self._wake = asyncio.Event()
        self.destination = DestinationState(client.base)

    async def run(self) -> None:
        """Deliver until `stop`; what is under way is finished first."""
        loop = asyncio.get_running_loop()
        self._store.call_after_commit(lambda: _set_from_thread(loop, self._wake))
        with contextlib.ExitStack() as held:
            while not held.enter_context(delivering_alone(self._store.file)):
                log.info("delivery_standing_by", reason="another process delivers from this store")
                if await self._pause(_POLL_SECONDS):
                    return
            await self._deliver_until_stopped()

    def stop(self) -> None:
        """Have `run` end once what is under way is finished."""
        self._stopping = True
        self._wake.set()

    async def _deliver_until_stopped(self) -> None:
        running: set[asyncio.Task[None]] = set()
        failures = 0
        while not self._stopping:
            self._wake.clear()
            if self.destination.problem is not None and not await self._ask_destination():
                failures += 1
                now = self._clock()
                pause = next_attempt(now, failures, self._limits, None, self._random.random()) - now
                await self._pause(pause.total_seconds())
                continue
            failures = 0
            lanes = await self._store.read(self._ready_lanes) if len(running) < self._settings.connections else []
            for lane, members in lanes[: self._settings.connections - len(running)]:
                self._busy.add(lane)
                task = asyncio.create_task(self._deliver_lane(lane, members))
                running.add(task)
                task.add_done_callback(running.discard)
            await self._pause(_POLL_SECONDS)
        if running:
            await asyncio.wait(running)

    async def _pause(self, seconds: float) -> bool:
        """Wait until something is committed or the time has passed; return whether the worker is to stop."""
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(self._wake.wait(), seconds)
        self._wake.clear()
        return self._stopping

    @property
    def _limits(self) -> tuple[float, float]:
        return self._settings.retry_first_seconds, self._settings.retry_max_seconds

    async def _ask_destination(self) -> bool:
        """Ask the server what it can do; return whether it can be used."""
        state = self.destination
        try:
            state.capabilities = await self._client.capabilities()
        except (UnreachableError, NotAFhirServerError) as error:
            state.problem = str(error)
            metrics.destination_up.set(0)
            log.warning("destination_unusable", reason=str(error))
            return False
        state.strategy = choose_strategy(state.capabilities, PRODUCED_TYPES, self._settings.strategy)
        state.problem = None
        metrics.destination_up.set(1)
        log.info("destination_ready", strategy=state.strategy.value)
        return True

    def _ready_lanes(self, tx: Transaction) -> list[tuple[str, list[Delivery]]]:
        """Return the lanes that can be served now, oldest first, with what may go out of each in one Bundle."""
        now = stamp(self._clock())
        lanes: dict[str, list[Delivery]] = {}
        closed: set[str] = set(self._busy)
        for delivery in oldest_waiting(tx, _WINDOW):
            if delivery.lane in closed:
                continue
            if delivery.next_attempt_at > now:
                closed.add(delivery.lane)
                continue
            chosen = lanes.setdefault(delivery.lane, [])
            if waits_of(tx, delivery.delivery_id) - {member.delivery_id for member in chosen}:
                continue
            if chosen and not self._fits(chosen, delivery):
                closed.add(delivery.lane)
                continue
            chosen.append(delivery)
        return [(lane, members) for lane, members in lanes.items() if members]

    def _fits(self, chosen: Sequence[Delivery], delivery: Delivery) -> bool:
        """Return whether a delivery may share the Bundle of those that were chosen before it."""
        if chosen[0].alone or delivery.alone or delivery.batch_id != chosen[0].batch_id:
            return False
        entries = sum(member.entries for member in chosen) + delivery.entries
        size = sum(member.size for member in chosen) + delivery.size
        return entries <= self._settings.bundle_max_entries and size <= self._settings.bundle_max_bytes

    async def _deliver_lane(self, lane: str, members: Sequence[Delivery]) -> None:
        try:
            batch = await self._store.read(lambda tx: self._load_batch(tx, members))
            if batch.body is None:
                batch = await self._with_second_reader(batch)
            if batch.members:
                await self._send(batch)
        except Exception:
            # The lane stays as it is in the store and is taken up again; the worker must not die of one lane.
            log.exception("delivery_lane_failed", lane=lane)
            await asyncio.sleep(_POLL_SECONDS)
        finally:
            self._busy.discard(lane)
            self._wake.set()

    def _load_batch(self, tx: Transaction, members: Sequence[Delivery]) -> Batch:
        """Return the deliveries with their resources: those sent together before, or that go together now."""
        batch_id = members[0].batch_id
        if batch_id is not None:
            members = deliveries_of_batch(tx, batch_id)
        taken: list[Delivery] = []
        outgoing: list[tuple[Outgoing, ...]] = []
        seen: set[str] = set()
        for member in members:
            resources = tuple(Outgoing(*row) for row in resources_of_delivery(tx, member.delivery_id))
            keys = {resource.reference for resource in resources}
            if seen & keys:
                break  # One Bundle may touch a resource only once; the later version waits for the next one.
            seen |= keys
            taken.append(member)
            outgoing.append(resources)
        body = batch_body(tx, batch_id) if batch_id is not None else None
        remote = self._remote_ids(tx, outgoing) if self.destination.strategy is not Strategy.CLIENT_IDS else {}
        return Batch(tuple(taken), tuple(outgoing), batch_id, body, remote)

    @staticmethod
    def _remote_ids(tx: Transaction, outgoing: Sequence[Sequence[Outgoing]]) -> dict[str, str]:
        """Return the server's ids of all resources in a batch and of all that they refer to, where it gave some."""
        references: set[str] = set()
        for resource in (resource for member in outgoing for resource in member):
            references |= {resource.reference, *references_in(read_json(resource.body))}
        known = {reference: remote_id(tx, *reference.split("/", 1)) for reference in references}
        return {reference: remote for reference, remote in known.items() if remote is not None}

    async def _with_second_reader(self, batch: Batch) -> Batch:
        """Return the batch without the deliveries that the second reader refuses; those are held."""
        good: list[int] = []
        for number, (member, resources) in enumerate(zip(batch.members, batch.outgoing, strict=True)):
            findings = await asyncio.to_thread(_second_reading, resources)
            if not findings:
                good.append(number)
                continue
            outcome = {
                "resourceType": "OperationOutcome",
                "issue": [
                    {"severity": "error", "code": "invalid", "diagnostics": message, "expression": [path]}
                    for path, message in findings
                ],
            }
            verdict = Refused("the second reader refuses a resource; it was not sent", outcome)
            alone = replace(batch, members=(member,), outgoing=(resources,))
            await self._store.write(partial(self._settle, batch=alone, verdict=verdict))
        return replace(
            batch,
            members=tuple(batch.members[number] for number in good),
            outgoing=tuple(batch.outgoing[number] for number in good),
        )

    async def _send(self, batch: Batch) -> None:
        resources = sendable(batch.resources, self.destination.strategy)
        if not resources:
            reason = "nothing of it can arrive exactly once by this strategy, so it is left out"
            await self._store.write(lambda tx: self._leave_out(tx, batch, reason))
            return
        body = batch.body or build_bundle(resources, self.destination.strategy, self._client.base, batch.remote_ids)
        started = await self._store.write(lambda tx: self._start(tx, batch, body))
        try:
            answer = await self._client.post_bundle(body)
        except UnreachableError as error:
            verdict: Verdict = Later(str(error))
            self.destination.problem = str(error)
        else:
            verdict = judge_answer(answer, len(resources), self._clock())
        if isinstance(verdict, DestinationWrong):
            self.destination.problem = verdict.reason
        metrics.attempts.labels(type(verdict).__name__.lower()).inc()
        await self._store.write(lambda tx: self._settle(tx, started, verdict))

    def _receipt(self) -> Receipt:
        return Receipt(ACTOR, self._clock())

    def _start(self, tx: Transaction, batch: Batch, body: bytes) -> Batch:
        """Keep the bytes that are about to be sent, and that they are."""
        receipt = self._receipt()
        batch_id = batch.batch_id
        if batch_id is None:
            batch_id = keep_batch(tx, body, [member.delivery_id for member in batch.members], receipt.stamp)
        detail = {
            "deliveries": [member.delivery_id for member in batch.members],
            "batch": batch_id,
            "body_hash": hashlib.sha256(body).hexdigest(),
            "strategy": self.destination.strategy.value,
        }
        first = batch.members[0]
        append_entry(tx, receipt, Happening(Action.ATTEMPT, f"lane:{first.lane}", "sending", first.case_id, detail))
        return replace(batch, batch_id=batch_id, body=body)

    def _settle(self, tx: Transaction, batch: Batch, verdict: Verdict) -> None:
        """Keep what became of an attempt."""
        receipt = self._receipt()
        match verdict:
            case Arrived():
                self._keep_places(tx, batch, verdict)
                self._record(tx, batch, "delivered", None, None, receipt.received_at)
            case TooLarge() | Refused() if len(batch.members) > 1:
                # One of them is at fault, or all are too much: each is sent by itself, and only the guilty is held.
                dissolve_batch(tx, [member.delivery_id for member in batch.members], alone=True)
                self._record(tx, batch, "waiting", verdict.reason, None, receipt.received_at)
            case TooLarge() | Refused():
                dissolve_batch(tx, [member.delivery_id for member in batch.members], alone=True)
                self._record(tx, batch, "held", verdict.reason, verdict.outcome, receipt.received_at)
            case Later() if (
                verdict.most_attempts is not None and batch.members[0].attempts >= verdict.most_attempts
            ):
                dissolve_batch(tx, [member.delivery_id for member in batch.members], alone=True)
                self._record(tx, batch, "held", verdict.reason, own_outcome(verdict.reason), receipt.received_at)
            case Later():
                due = self._due(receipt.received_at, batch, verdict.after_seconds)
                self._record(tx, batch, "waiting", verdict.reason, None, due)
            case DestinationWrong():
                self._record(
                    tx, batch, "waiting", verdict.reason, None, self._due(receipt.received_at, batch, None)
                )
        first = batch.members[0]
        detail = {
            "deliveries": [member.delivery_id for member in batch.members],
            "batch": batch.batch_id,
            "reason": getattr(verdict, "reason", None),
        }
        outcome = type(verdict).__name__.lower()
        append_entry(tx, receipt, Happening(Action.OUTCOME, f"lane:{first.lane}", outcome, first.case_id, detail))

    def _due(self, now: datetime, batch: Batch, asked_seconds: float | None) -> datetime:
        attempts = max(member.attempts for member in batch.members) + 1
        return next_attempt(now, attempts, self._limits, asked_seconds, self._random.random())

    def _record(
        self,
        tx: Transaction,
        batch: Batch,
        state: str,
        error: str | None,
        outcome: Mapping[str, Any] | None,
        due: datetime,
    ) -> None:
        text = write_json(outcome).decode() if outcome is not None else None
        for member in batch.members:
            result = AttemptResult(state, member.attempts + 1, stamp(due), error, text)
            record_attempt(tx, member.delivery_id, result, stamp(self._clock()))

    def _leave_out(self, tx: Transaction, batch: Batch, reason: str) -> None:
        receipt = self._receipt()
        self._record(tx, batch, "delivered", reason, None, receipt.received_at)
        first = batch.members[0]
        detail = {"deliveries": [member.delivery_id for member in batch.members], "reason": reason}
        append_entry(
            tx, receipt, Happening(Action.OUTCOME, f"lane:{first.lane}", "left-out", first.case_id, detail)
        )

    def _keep_places(self, tx: Transaction, batch: Batch, arrived: Arrived) -> None:
        sent = sendable(batch.resources, self.destination.strategy)
        for resource, (place_id, version) in zip(sent, arrived.places, strict=True):
            if place_id:
                keep_remote_id(tx, (resource.resource_type, resource.resource_id), place_id, version)


def _second_reading(resources: Sequence[Outgoing]) -> list[tuple[str, str]]:
    return [
        (finding.path, finding.message)
        for resource in resources
        for finding in read_with_models(read_json(resource.body))
        if finding.severity == "error"
    ]


def _set_from_thread(loop: asyncio.AbstractEventLoop, event: asyncio.Event) -> None:
    """Set an event of a loop from another thread; a loop that has closed needs it no more."""
    with contextlib.suppress(RuntimeError):
        loop.call_soon_threadsafe(event.set)


def retry_delivery(tx: Transaction, delivery_id: int, receipt: Receipt) -> str:
    """Have a held delivery sent again; return `retried`, `not-held` or `unknown`."""
    delivery = find_delivery(tx, delivery_id)
    if delivery is None:
        return "unknown"
    if delivery.state != "held":
        return "not-held"
    result = AttemptResult("waiting", 0, receipt.stamp, delivery.last_error, delivery.outcome)
    record_attempt(tx, delivery_id, result, receipt.stamp)
    dissolve_batch(tx, [delivery_id], alone=True)
    append_entry(tx, receipt, Happening(Action.RETRY, f"delivery:{delivery_id}", "queued", delivery.case_id))
    return "retried"
