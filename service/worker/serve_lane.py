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
from service.exact_json import read_json
from service.records.finding import Finding
from service.records.receipts import Receipt
from service.storage.lanes import give_back_lane, let_go_lane
from service.storage.statements import Transaction
from service.storage.store import Store
from service.worker.batch import Batch
from service.worker.choose_batch import NothingNow, SendingRules, choose_batch
from service.worker.keep_attempt import SettlingRules, leave_out, settle_attempt, start_attempt

_MOST_BATCHES = 50
"""After so many batches a lane is given back, so that a long one does not keep others waiting for ever."""


@dataclass(frozen=True, slots=True)
class LaneServer:
    """What is needed to serve lanes. `send_seconds` bounds one sending, so that it ends before the lease does."""

    store: Store
    client: FhirClient
    destination: DestinationState
    clock: Clock
    actor: str
    sending: Callable[[], SendingRules]
    settling: SettlingRules
    send_seconds: float

    async def serve(self, lane: str, is_stopping: Callable[[], bool]) -> None:
        """Send what can go out of a leased lane, then give it back.

        Raises LeaseLostError where another worker has it meanwhile, and whatever else went wrong with the store;
        the lease then ends by itself.
        """
        for _ in range(_MOST_BATCHES):
            if is_stopping() or not self.destination.is_usable:
                break
            found = await self.store.read(partial(self._choose, lane=lane))
            if isinstance(found, NothingNow):
                await self._give_back(lane, found)
                return
            batch = await self._without_invalid(found) if found.body is None else found
            if batch.members:
                await self._send(batch)
        await self.let_go(lane)

    async def let_go(self, lane: str) -> None:
        """End the lease of a lane, whatever waits in it."""
        await self.store.claim(lambda tx: let_go_lane(tx, lane, self.settling.lease))

    def _choose(self, tx: Transaction, lane: str) -> Batch | NothingNow:
        return choose_batch(tx, lane, self.clock(), self.sending())

    async def _give_back(self, lane: str, found: NothingNow) -> None:
        lease = self.settling.lease
        await self.store.claim(lambda tx: give_back_lane(tx, lane, lease, found.changes, found.look_at))

    def _receipt(self) -> Receipt:
        return Receipt(self.actor, self.clock())

    async def _without_invalid(self, batch: Batch) -> Batch:
        """Return the batch without the deliveries that the second reader refuses; those are held."""
        good: list[int] = []
        for place, (member, resources) in enumerate(zip(batch.members, batch.resources, strict=True)):
            findings = [] if member.is_read_twice else await asyncio.to_thread(second_reading, resources)
            if not findings:
                good.append(place)
                continue
            verdict = Refused("the second reader refuses a resource; it was not sent", _outcome_of(findings))
            await self._settle(batch.only([place]), verdict)
        return batch.only(good)

    async def _send(self, batch: Batch) -> None:
        lease = self.settling.lease
        if not batch.sent:
            await self.store.write(partial(leave_out, batch=batch, receipt=self._receipt(), lease=lease))
            return
        body = batch.bytes_for(self.client.base)
        # The lease begins at the earliest now, and what is sent must have an end before it does.
        ends = time.monotonic() + self.send_seconds
        started = await self.store.write(
            partial(start_attempt, batch=batch, body=body, receipt=self._receipt(), lease=lease)
        )
        verdict = await self._post(body, len(batch.sent), ends)
        self.destination.note(verdict)
        metrics.attempts.labels(type(verdict).__name__.lower()).inc()
        await self._settle(started, verdict)

    async def _post(self, body: bytes, entries: int, ends: float) -> Verdict:
        try:
            async with asyncio.timeout(max(0.0, ends - time.monotonic())):
                answer = await self.client.post_bundle(body)
        except UnreachableError as error:
            return Later(str(error), is_unreachable=True)
        except TimeoutError:
            return Later("the whole exchange took too long", is_unreachable=True)
        except NotAuthorisedError as error:
            return DestinationWrong(str(error))
        return judge_answer(answer, entries, self.clock())

    async def _settle(self, batch: Batch, verdict: Verdict) -> None:
        await self.store.write(
            partial(settle_attempt, batch=batch, verdict=verdict, receipt=self._receipt(), rules=self.settling)
        )


def second_reading(resources: Sequence[Outgoing]) -> list[Finding]:
    """Return the errors that the second reader finds in resources."""
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
