"""Serves one lane that was leased: batch after batch, each kept before it is sent and settled by its answer."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

from service import metrics
from service.checking.read_with_models import read_with_models
from service.clock import Clock
from service.delivery.authorise import NotAuthorisedError
from service.delivery.build_bundle import Outgoing
from service.delivery.destination_state import DestinationState
from service.delivery.exchange import UnreachableError
from service.delivery.fhir_client import FhirClient
from service.delivery.judge_answer import DestinationWrong, Later, Refused, Verdict, judge_answer
from service.outbox.batch import Batch
from service.outbox.choose_batch import NothingNow, SendingRules, choose_batch
from service.outbox.keep_attempt import SettlingRules, leave_out, settle_attempt, start_attempt
from service.problems import Unavailable
from service.records.finding import Finding
from service.records.receipts import Receipt
from service.storage.lanes import (
    Lease,
    LeaseLostError,
    give_back_lane,
    hasten_lanes_before,
    let_go_lane,
    renew_lease,
)
from service.storage.statements import Transaction
from service.storage.store import Store

_MOST_BATCHES = 50
"""After so many batches a lane is given back, so that a long one does not keep others waiting for ever."""


@dataclass(frozen=True, slots=True)
class ToSend:
    """A batch of which it is kept that its bytes are about to be sent; the sending ends at `ends` (monotonic)."""

    batch: Batch
    ends: float


@dataclass(frozen=True, slots=True)
class Answered:
    """A batch that was sent, and what the answer says; not kept yet."""

    batch: Batch
    verdict: Verdict


@dataclass(frozen=True, slots=True)
class LaneServer:
    """What is needed to serve lanes. `send_seconds` bounds one sending, so that it ends before the lease does."""

    store: Store
    client: FhirClient
    destination: DestinationState
    clock: Clock
    actor: str
    sending: SendingRules
    settling: SettlingRules
    lease: Lease
    send_seconds: float

    async def serve(self, lane: str, is_stopping: Callable[[], bool]) -> None:
        """Send what can go out of a leased lane, then give it back.

        Raises LeaseLostError where another worker has it meanwhile, and whatever else went wrong with the store;
        the lease then ends by itself.
        """
        answered: Answered | None = None
        for _ in range(_MOST_BATCHES):
            if is_stopping() or not self.destination.is_usable:
                break
            taken = await self._take_next(lane, answered)
            answered = None
            if isinstance(taken, NothingNow):
                return
            if isinstance(taken, Batch):
                taken = await self._start_good_ones(taken)
            if taken is not None:
                answered = Answered(taken.batch, await self._send(taken))
        if answered is not None:
            await self.store.write(partial(self._settle, answered=answered))
        await self.let_go(lane)

    async def let_go(self, lane: str) -> None:
        """End the lease of a lane, whatever waits in it."""
        await self.store.claim(lambda tx: let_go_lane(tx, lane, self.lease))

    async def _take_next(self, lane: str, answered: Answered | None) -> NothingNow | Batch | ToSend | None:
        """Settle the attempt before and start the next in one transaction: each waits for the disk."""
        try:
            return await self.store.write(partial(self._settle_and_start, lane=lane, answered=answered))
        except (LeaseLostError, Unavailable):
            raise
        except Exception:
            # What was answered is kept, whatever is wrong with what comes next.
            if answered is not None:
                await self.store.write(partial(self._settle, answered=answered))
            raise

    def _settle_and_start(
        self, tx: Transaction, lane: str, answered: Answered | None
    ) -> NothingNow | Batch | ToSend | None:
        """Return what was started; a batch that the second reader has yet to read, of which nothing is kept."""
        ends = self._end_of_sending()
        changes = renew_lease(tx, lane, self.lease)
        receipt = self._receipt()
        if answered is not None:
            settle_attempt(tx, answered.batch, answered.verdict, receipt, self.settling)
        found = choose_batch(tx, lane, receipt.received_at, self.sending, self.destination.strategy)
        if isinstance(found, NothingNow):
            if found.look_at is not None:
                hasten_lanes_before(tx, lane)
            give_back_lane(tx, lane, self.lease, changes, found.look_at)
            return found
        if found.body is None and not all(member.read_twice for member in found.members):
            return found
        return self._start(tx, found, ends)

    def _end_of_sending(self) -> float:
        """Return when a sending must have ended; asked for before the lease begins, which ends later than that."""
        return time.monotonic() + self.send_seconds

    def _start(self, tx: Transaction, batch: Batch, ends: float) -> ToSend | None:
        """Keep that a batch is about to be sent; None where nothing of it is sent, which is settled then."""
        if not batch.sent:
            leave_out(tx, batch, self._receipt())
            return None
        return ToSend(start_attempt(tx, batch, batch.bytes_for(self.client.base), self._receipt()), ends)

    def _start_read(self, tx: Transaction, batch: Batch) -> ToSend | None:
        """Start a batch that the second reader has read meanwhile."""
        ends = self._end_of_sending()
        renew_lease(tx, batch.lane, self.lease)
        return self._start(tx, batch, ends)

    def _settle(self, tx: Transaction, answered: Answered) -> None:
        renew_lease(tx, answered.batch.lane, self.lease)
        settle_attempt(tx, answered.batch, answered.verdict, self._receipt(), self.settling)

    def _receipt(self) -> Receipt:
        return Receipt(self.actor, self.clock())

    async def _start_good_ones(self, batch: Batch) -> ToSend | None:
        """Start a batch without the deliveries that the second reader refuses; those are held."""
        good: list[int] = []
        for place, (member, resources) in enumerate(zip(batch.members, batch.resources, strict=True)):
            findings = [] if member.read_twice else await asyncio.to_thread(second_reading, resources)
            if not findings:
                good.append(place)
                continue
            verdict = Refused("the second reader refuses a resource; it was not sent", _outcome_of(findings))
            await self.store.write(partial(self._settle, answered=Answered(batch.only([place]), verdict)))
        return await self.store.write(partial(self._start_read, batch=batch.only(good))) if good else None

    async def _send(self, started: ToSend) -> Verdict:
        verdict = await self._post(started)
        self.destination.note(verdict)
        metrics.attempts.labels(verdict.word).inc()
        return verdict

    async def _post(self, started: ToSend) -> Verdict:
        batch = started.batch
        try:
            async with asyncio.timeout(max(0.0, started.ends - time.monotonic())):
                answer = await self.client.post_bundle(batch.bytes_for(self.client.base))
        except UnreachableError as error:
            return Later(str(error), is_unreachable=True)
        except TimeoutError:
            return Later("the whole exchange took too long", is_unreachable=True)
        except NotAuthorisedError as error:
            return DestinationWrong(str(error))
        return judge_answer(answer, len(batch.sent), self.clock(), repeats_safely=batch.repeats_safely)


def second_reading(resources: Sequence[Outgoing]) -> list[Finding]:
    """Return the errors that the second reader finds in resources."""
    return [
        finding
        for resource in resources
        for finding in read_with_models(resource.resource_type, resource.body)
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
