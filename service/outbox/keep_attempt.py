"""Keeps each attempt before it is made, and what became of it, each in one transaction."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from service.audit.append_entry import Action, Happening, append_entry
from service.delivery.find_concerns import find_concerns
from service.delivery.judge_answer import (
    Arrived,
    DestinationWrong,
    Later,
    Refused,
    ServerConflict,
    TooLarge,
    Verdict,
    own_outcome,
)
from service.exact_json import write_json
from service.outbox.batch import Batch
from service.records.instants import stamp
from service.records.receipts import Receipt
from service.records.record_keys import lane_key
from service.settings import Strategy
from service.storage.batches import KeptBatch, dissolve_batch, keep_batch
from service.storage.deliveries import NewState, keep_state
from service.storage.remote_ids import RemoteId, keep_remote_ids
from service.storage.statements import Transaction

PlanRetry = Callable[[datetime, int, float | None], datetime]
"""Returns when the next attempt is due: from now, the number of attempts made, and the wait that was asked for."""

LEFT_OUT = "left-out"
"""The word for a delivery of which nothing was to be sent: its state, and the outcome in the log."""

_ERRORS_TO_PART = 3
"""After so many errors of the server its deliveries go out one by one, so that the one at fault shows."""


@dataclass(frozen=True, slots=True)
class SettlingRules:
    """How attempts are settled: the schedule, and after how many errors of the server a delivery is held."""

    plan: PlanRetry
    most_errors: int


def start_attempt(tx: Transaction, batch: Batch, body: bytes, receipt: Receipt) -> Batch:
    """Keep the bytes that are about to be sent, and that they are; return the batch with its number."""
    batch_id = batch.batch_id
    if batch_id is None:
        kept = KeptBatch(batch.strategy.value, body, batch.left_out)
        batch_id = keep_batch(tx, kept, batch.numbers, receipt.stamp)
    detail = {
        "deliveries": batch.numbers,
        "batch": batch_id,
        "body_hash": hashlib.sha256(body).hexdigest(),
        "strategy": batch.strategy.value,
    }
    append_entry(tx, receipt, Happening(Action.ATTEMPT, lane_key(batch.lane), "sending", batch.case_id, detail))
    return replace(batch, batch_id=batch_id, body=body)


def settle_attempt(tx: Transaction, batch: Batch, verdict: Verdict, receipt: Receipt, rules: SettlingRules) -> None:
    """Keep what an attempt made of a batch, of whose lane this worker has the lease.

    Where a Bundle of several deliveries is refused, one of them may be at fault: each is sent by itself then,
    and only the faulty one is held.
    """
    now = receipt.received_at
    attempts = max(member.attempts for member in batch.members) + 1
    match verdict:
        case Arrived():
            _keep_arrived(tx, batch, verdict, receipt)
            return
        case TooLarge() | Refused():
            _hold_the_guilty(tx, batch, receipt, verdict)
        case ServerConflict() if _conflicts(batch) >= verdict.most_attempts:
            _hold_the_guilty(tx, batch, receipt, verdict)
        case ServerConflict():
            _wait(tx, batch, rules.plan(now, attempts, None), verdict, receipt, conflicts=1)
        case Later() if verdict.is_error and _errors(batch) >= _ERRORS_TO_PART and len(batch.members) > 1:
            _hold_the_guilty(tx, batch, receipt, _given_up(verdict))
        case Later() if verdict.is_error and _errors(batch) >= rules.most_errors:
            _hold_the_guilty(tx, batch, receipt, _given_up(verdict))
        case Later():
            due = rules.plan(now, attempts, verdict.after_seconds)
            _wait(tx, batch, due, verdict, receipt, errors=int(verdict.is_error))
        case DestinationWrong():
            _wait(tx, batch, rules.plan(now, attempts, None), verdict, receipt)
    _log_outcome(tx, batch, verdict.word, verdict.reason, receipt)


def _conflicts(batch: Batch) -> int:
    """Return how often a conflict was answered; attempts that reached no server are not among them."""
    return max(member.conflicts for member in batch.members)


def _errors(batch: Batch) -> int:
    """Return how often the server has failed at the batch, this time included."""
    return max(member.answered_errors for member in batch.members) + 1


def _keep_arrived(tx: Transaction, batch: Batch, arrived: Arrived, receipt: Receipt) -> None:
    """Keep that a batch arrived; those of its deliveries of which nothing was sent are left out."""
    keep_remote_ids(tx, _given(batch, arrived))
    unsent = batch.unsent_places
    sent = batch if not unsent else batch.only(place for place in range(len(batch.members)) if place not in unsent)
    keep_state(tx, sent.numbers, NewState("delivered", receipt.stamp, attempts=1), receipt.stamp, batch.lane)
    _log_outcome(tx, sent, arrived.word, None, receipt)
    if unsent:
        leave_out(tx, batch.only(unsent), receipt)


def _given(batch: Batch, arrived: Arrived) -> list[RemoteId]:
    """Return the ids that the server gave the resources of a batch."""
    given: list[RemoteId] = []
    for resource, (told, version) in zip(batch.sent, arrived.places, strict=True):
        # A server that takes our ids need not say where it put a resource.
        place = told or (resource.resource_id if batch.strategy is Strategy.CLIENT_IDS else "")
        if place:
            given.append(RemoteId(resource.resource_type, resource.resource_id, place, version))
    return given


def _given_up(verdict: Later) -> Refused:
    """Return what is said of a delivery at which the server has failed each time."""
    reason = f"{verdict.reason} each time it was sent"
    return Refused(reason, verdict.outcome or own_outcome(reason), verdict.entry)


def leave_out(tx: Transaction, batch: Batch, receipt: Receipt) -> None:
    """Settle a batch of which nothing is sent, by the settings or for want of an identifier; the log says so."""
    types = sorted({resource.resource_type for member in batch.resources for resource in member})
    if batch.left_out.issuperset(types):
        reason = f"the settings leave out {', '.join(types)}"
    else:
        reason = (
            f"by {batch.strategy.value} a repeat could not be recognised without an identifier, so it was not sent"
        )
    new = NewState(LEFT_OUT, receipt.stamp, reason, attempts=1)
    keep_state(tx, batch.numbers, new, receipt.stamp, batch.lane)
    _log_outcome(tx, batch, LEFT_OUT, reason, receipt)


def _hold_the_guilty(
    tx: Transaction, batch: Batch, receipt: Receipt, verdict: TooLarge | Refused | ServerConflict
) -> None:
    """Hold a delivery that was sent by itself; of several, each goes out by itself next."""
    dissolve_batch(tx, batch.numbers)
    new = NewState("waiting", receipt.stamp, verdict.reason, attempts=1)
    if len(batch.members) == 1:
        outcome = write_json(verdict.outcome).decode()
        new = NewState("held", receipt.stamp, verdict.reason, outcome, _concerns(batch, verdict), attempts=1)
    keep_state(tx, batch.numbers, new, receipt.stamp, batch.lane)


def _concerns(batch: Batch, verdict: TooLarge | Refused | ServerConflict) -> str | None:
    """Return, as the store keeps it, what the outcome speaks of: resource, record and path."""
    entry = verdict.entry if isinstance(verdict, Refused) else None
    concerns = [
        {"resource": concern.resource, "record": batch.members[0].record, "path": concern.path}
        for concern in find_concerns(verdict.outcome, batch.sent, entry)
    ]
    return write_json(concerns).decode() if concerns else None


def _wait(
    tx: Transaction,
    batch: Batch,
    due: datetime,
    verdict: Later | ServerConflict | DestinationWrong,
    receipt: Receipt,
    *,
    conflicts: int = 0,
    errors: int = 0,
) -> None:
    """Have a batch wait until it is due again."""
    new = NewState("waiting", stamp(due), verdict.reason, attempts=1, conflicts=conflicts, errors=errors)
    keep_state(tx, batch.numbers, new, receipt.stamp, batch.lane)


def _log_outcome(tx: Transaction, batch: Batch, outcome: str, reason: str | None, receipt: Receipt) -> None:
    detail: dict[str, Any] = {"deliveries": batch.numbers, "batch": batch.batch_id}
    if reason is not None:
        detail["reason"] = reason
    if outcome in (Arrived.word, LEFT_OUT):
        sent = {resource.reference for resource in batch.sent}
        everything = [resource.reference for member in batch.resources for resource in member]
        if len(sent) < len(everything):
            detail["left_out"] = [reference for reference in everything if reference not in sent]
    append_entry(tx, receipt, Happening(Action.OUTCOME, lane_key(batch.lane), outcome, batch.case_id, detail))
