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
    Conflict,
    DestinationWrong,
    Later,
    Refused,
    TooLarge,
    Verdict,
    own_outcome,
)
from service.exact_json import write_json
from service.outbox.batch import Batch
from service.records.instants import stamp
from service.records.receipts import Receipt
from service.settings import Strategy
from service.storage.deliveries import AttemptResult, KeptBatch, dissolve_batch, keep_batch, record_attempts
from service.storage.lanes import Lease, renew_lease, require_lease
from service.storage.remote_ids import RemoteId, keep_remote_ids
from service.storage.statements import Transaction

PlanRetry = Callable[[datetime, int, float | None], datetime]
"""Returns when the next attempt is due: from now, the number of attempts made, and the wait that was asked for."""

_ERRORS_TO_PART = 3
"""After so many errors of the server its deliveries go out one by one, so that the one at fault shows."""


@dataclass(frozen=True, slots=True)
class SettlingRules:
    """How attempts are settled: the lease without which nothing is kept, the schedule, and when to give up."""

    lease: Lease
    plan: PlanRetry
    most_errors: int


def start_attempt(tx: Transaction, batch: Batch, body: bytes, receipt: Receipt, lease: Lease) -> Batch:
    """Keep the bytes that are about to be sent, and that they are; return the batch with its number.

    The lease of the lane begins anew; LeaseLostError where another worker has it.
    """
    renew_lease(tx, batch.lane, lease)
    batch_id = batch.batch_id
    if batch_id is None:
        batch_id = keep_batch(
            tx, KeptBatch(batch.strategy.value, body, batch.left_out), batch.numbers, receipt.stamp
        )
    detail = {
        "deliveries": batch.numbers,
        "batch": batch_id,
        "body_hash": hashlib.sha256(body).hexdigest(),
        "strategy": batch.strategy.value,
    }
    append_entry(tx, receipt, Happening(Action.ATTEMPT, f"lane:{batch.lane}", "sending", batch.case_id, detail))
    return replace(batch, batch_id=batch_id, body=body)


def settle_attempt(tx: Transaction, batch: Batch, verdict: Verdict, receipt: Receipt, rules: SettlingRules) -> None:
    """Keep what an attempt made of a batch; LeaseLostError where another worker has the lane meanwhile.

    Where a Bundle of several deliveries is refused, one of them may be at fault: each is sent by itself then,
    and only the guilty one is held.
    """
    require_lease(tx, batch.lane, rules.lease)
    plan = rules.plan
    now = receipt.received_at
    attempts = max(member.attempts for member in batch.members) + 1
    match verdict:
        case Arrived():
            keep_remote_ids(tx, _given(batch, verdict))
            _record(tx, batch, "delivered", now, receipt)
        case TooLarge() | Refused():
            _hold_the_guilty(tx, batch, receipt, verdict)
        case Conflict() if _conflicts(batch) >= verdict.most_attempts:
            _hold_the_guilty(tx, batch, receipt, verdict)
        case Conflict():
            due = plan(now, attempts, None)
            again = _with_conflicts(batch, _conflicts(batch) + 1)
            _record(tx, again, "waiting", due, receipt, verdict.reason)
        case Later() if verdict.is_error and _errors(batch) >= _ERRORS_TO_PART and len(batch.members) > 1:
            _hold_the_guilty(tx, batch, receipt, _given_up(verdict))
        case Later() if verdict.is_error and _errors(batch) >= rules.most_errors:
            _hold_the_guilty(tx, batch, receipt, _given_up(verdict))
        case Later():
            due = plan(now, attempts, verdict.after_seconds)
            again = _with_errors(batch, _errors(batch)) if verdict.is_error else batch
            _record(tx, again, "waiting", due, receipt, verdict.reason)
        case DestinationWrong():
            _record(tx, batch, "waiting", plan(now, attempts, None), receipt, verdict.reason)
    _log_outcome(tx, batch, type(verdict).__name__.lower(), getattr(verdict, "reason", None), receipt)


def _conflicts(batch: Batch) -> int:
    """Return how often a conflict was answered; attempts that reached no server are not among them."""
    return max(member.conflicts for member in batch.members)


def _errors(batch: Batch) -> int:
    """Return how often the server has failed at the batch, this time included."""
    return max(member.answered_errors for member in batch.members) + 1


def _given(batch: Batch, arrived: Arrived) -> list[RemoteId]:
    """Return the ids that the server gave the resources of a batch."""
    given: list[RemoteId] = []
    for resource, (told, version) in zip(batch.sent, arrived.places, strict=True):
        # A server that takes our ids need not say where it put a resource.
        place = told or (resource.resource_id if batch.strategy is Strategy.CLIENT_IDS else "")
        if place:
            given.append(RemoteId(resource.resource_type, resource.resource_id, place, version))
    return given


def _with_conflicts(batch: Batch, count: int) -> Batch:
    return replace(batch, members=tuple(replace(member, conflicts=count) for member in batch.members))


def _with_errors(batch: Batch, count: int) -> Batch:
    return replace(batch, members=tuple(replace(member, answered_errors=count) for member in batch.members))


def _given_up(verdict: Later) -> Refused:
    """Return what is said of a delivery at which the server has failed each time."""
    reason = f"{verdict.reason} each time it was sent"
    return Refused(reason, own_outcome(reason))


def leave_out(tx: Transaction, batch: Batch, receipt: Receipt, lease: Lease) -> None:
    """Settle a batch of which nothing is sent, by the settings or for want of an identifier; the log says so."""
    require_lease(tx, batch.lane, lease)
    types = sorted({resource.resource_type for member in batch.resources for resource in member})
    if batch.left_out.issuperset(types):
        reason = f"the settings leave out {', '.join(types)}"
    else:
        reason = f"by {batch.strategy.value} nothing of it can be told from a double, so it is left out"
    _record(tx, batch, "delivered", receipt.received_at, receipt, reason)
    _log_outcome(tx, batch, "left-out", reason, receipt)


def _hold_the_guilty(
    tx: Transaction, batch: Batch, receipt: Receipt, verdict: TooLarge | Refused | Conflict
) -> None:
    """Hold a delivery that was sent by itself; of several, each goes out by itself next."""
    dissolve_batch(tx, batch.numbers, alone=True)
    if len(batch.members) > 1:
        _record(tx, batch, "waiting", receipt.received_at, receipt, verdict.reason)
    else:
        _record(tx, batch, "held", receipt.received_at, receipt, verdict.reason, verdict)


def _concerns(batch: Batch, verdict: TooLarge | Refused | Conflict) -> str | None:
    """Return, as the store keeps it, what the outcome speaks of: resource, record and path."""
    entry = verdict.entry if isinstance(verdict, Refused) else None
    concerns = [
        {"resource": concern.resource, "record": batch.members[0].record, "path": concern.path}
        for concern in find_concerns(verdict.outcome, batch.sent, entry)
    ]
    return write_json(concerns).decode() if concerns else None


def _record(
    tx: Transaction,
    batch: Batch,
    state: str,
    due: datetime,
    receipt: Receipt,
    error: str | None = None,
    held_for: TooLarge | Refused | Conflict | None = None,
) -> None:
    outcome = write_json(held_for.outcome).decode() if held_for is not None else None
    concerns = _concerns(batch, held_for) if held_for is not None else None
    due_at = stamp(due)
    results = {
        member.delivery_id: AttemptResult(
            state,
            member.attempts + 1,
            due_at,
            error,
            outcome,
            concerns,
            member.conflicts,
            member.answered_errors,
        )
        for member in batch.members
    }
    record_attempts(tx, results, receipt.stamp, batch.lane)


def _log_outcome(tx: Transaction, batch: Batch, outcome: str, reason: str | None, receipt: Receipt) -> None:
    detail: dict[str, Any] = {"deliveries": batch.numbers, "batch": batch.batch_id}
    if reason is not None:
        detail["reason"] = reason
    if outcome in ("arrived", "left-out") and len(batch.sent) < sum(len(member) for member in batch.resources):
        sent = {resource.reference for resource in batch.sent}
        everything = [resource.reference for member in batch.resources for resource in member]
        detail["left_out"] = [reference for reference in everything if reference not in sent]
    append_entry(tx, receipt, Happening(Action.OUTCOME, f"lane:{batch.lane}", outcome, batch.case_id, detail))
