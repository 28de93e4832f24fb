"""The outbox: deliveries in the order of their making, what each waits for, and the bytes that were sent."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from sqlalchemy import bindparam, delete, exists, func, insert, select, update

from service.exact_json import read_json, write_json
from service.storage.lanes import add_to_lane, wake_lanes_waiting_for
from service.storage.schema import batches, deliveries, delivery_waits
from service.storage.statements import Among, Row, Statement, Transaction, number_list

STATES = ("waiting", "delivered", "held", "discarded")
"""What may be said of a delivery; one that is discarded was given up by a person and is never sent."""


@dataclass(frozen=True, slots=True)
class NewDelivery:
    """What one record adds to the outbox: resources that arrive together or not at all."""

    delivery_id: int
    lane: str
    case_id: str | None
    device_id: str | None
    record: str
    keys: Sequence[tuple[str, str]]
    bodies: Sequence[bytes]
    waits_for: frozenset[int]


@dataclass(frozen=True, slots=True)
class Delivery:
    """One delivery with its state, without its body."""

    delivery_id: int
    lane: str
    case_id: str | None
    device_id: str | None
    record: str
    state: str
    attempts: int
    next_attempt_at: str
    batch_id: int | None
    alone: bool
    last_error: str | None
    outcome: str | None
    entries: int
    size: int
    concerns: str | None = None
    conflicts: int = 0
    is_read_twice: bool = False
    answered_errors: int = 0


_COLUMNS = (
    deliveries.c.delivery_id,
    deliveries.c.lane,
    deliveries.c.case_id,
    deliveries.c.device_id,
    deliveries.c.record,
    deliveries.c.state,
    deliveries.c.attempts,
    deliveries.c.next_attempt_at,
    deliveries.c.batch_id,
    deliveries.c.alone,
    deliveries.c.last_error,
    deliveries.c.outcome,
    deliveries.c.entries,
    func.length(deliveries.c.body),
    deliveries.c.concerns,
    deliveries.c.conflicts,
    deliveries.c.read_twice,
    deliveries.c.answered_errors,
)
_INSERT = Statement(insert(deliveries))
_NEWEST = Statement(select(func.max(deliveries.c.delivery_id)))
_INSERT_WAIT = Statement(insert(delivery_waits))
_STATE = Statement(select(deliveries.c.state).where(deliveries.c.delivery_id == bindparam("delivery_id")))
_ONE = Statement(select(*_COLUMNS).where(deliveries.c.delivery_id == bindparam("delivery_id")))
_held = deliveries.alias("held")
_WAITING_OF_LANE = Statement(
    select(*_COLUMNS)
    .where(
        deliveries.c.state == "waiting",
        deliveries.c.lane == bindparam("lane"),
        ~exists().where(
            delivery_waits.c.delivery_id == deliveries.c.delivery_id,
            delivery_waits.c.after_id == _held.c.delivery_id,
            _held.c.state == "held",
        ),
    )
    .order_by(deliveries.c.delivery_id)
    .limit(bindparam("most"))
)
_WAITS = Statement(
    select(delivery_waits.c.after_id).where(delivery_waits.c.delivery_id == bindparam("delivery_id"))
)
_WAITS_OF_LANE = Statement(
    select(delivery_waits.c.delivery_id, delivery_waits.c.after_id)
    .join_from(delivery_waits, deliveries, deliveries.c.delivery_id == delivery_waits.c.delivery_id)
    .where(
        deliveries.c.state == "waiting",
        deliveries.c.lane == bindparam("lane"),
        deliveries.c.delivery_id <= bindparam("newest"),
    )
)
_WAITS_ANYTHING = Statement(
    select(deliveries.c.delivery_id)
    .where(deliveries.c.state == "waiting", deliveries.c.lane == bindparam("lane"))
    .limit(1)
)
_UNREAD = Statement(
    select(deliveries.c.delivery_id)
    .where(
        deliveries.c.delivery_id > bindparam("after"),
        deliveries.c.state == "waiting",
        deliveries.c.read_twice == 0,
    )
    .order_by(deliveries.c.delivery_id)
    .limit(bindparam("most"))
)
_SET_READ = Statement(update(deliveries).where(Among(deliveries.c.delivery_id, "of")).values(read_twice=1))
_WAITING_FOR = Statement(
    select(delivery_waits.c.delivery_id)
    .where(delivery_waits.c.after_id == bindparam("after_id"))
    .order_by(delivery_waits.c.delivery_id)
)
_REMOVE_WAIT = Statement(
    delete(delivery_waits).where(
        delivery_waits.c.delivery_id == bindparam("delivery_id"), delivery_waits.c.after_id == bindparam("after_id")
    )
)
_WAITS_DONE = Statement(delete(delivery_waits).where(Among(delivery_waits.c.after_id, "after")))
_BODIES = Statement(
    select(deliveries.c.delivery_id, deliveries.c.body).where(Among(deliveries.c.delivery_id, "of"))
)
_OF_BATCH = Statement(
    select(*_COLUMNS)
    .where(deliveries.c.batch_id == bindparam("batch_id"), deliveries.c.state == "waiting")
    .order_by(deliveries.c.delivery_id)
)
_INSERT_BATCH = Statement(
    insert(batches).returning(batches.c.batch_id), columns=["strategy", "body", "created_at", "left_out"]
)
_BATCH = Statement(
    select(batches.c.strategy, batches.c.body, batches.c.left_out).where(
        batches.c.batch_id == bindparam("batch_id")
    )
)
_SET_BATCH = Statement(
    update(deliveries)
    .where(Among(deliveries.c.delivery_id, "of"))
    .values(batch_id=bindparam("new_batch"), alone=bindparam("new_alone"))
)
_RECORD_ATTEMPT = Statement(
    update(deliveries)
    .where(deliveries.c.delivery_id == bindparam("of"))
    .values(
        state=bindparam("new_state"),
        attempts=bindparam("new_attempts"),
        next_attempt_at=bindparam("new_next"),
        last_error=bindparam("new_error"),
        outcome=bindparam("new_outcome"),
        concerns=bindparam("new_concerns"),
        conflicts=bindparam("new_conflicts"),
        answered_errors=bindparam("new_errors"),
        settled_at=bindparam("new_settled"),
    )
)
_OLDEST_WAITING = Statement(select(func.min(deliveries.c.created_at)).where(deliveries.c.state == "waiting"))
_COUNTS = Statement(select(deliveries.c.state, func.count()).group_by(deliveries.c.state))


def _delivery(row: Row) -> Delivery:
    values = list(row)
    values[9] = bool(values[9])
    values[16] = bool(values[16])
    return Delivery(*values)


def delivery_state(tx: Transaction, delivery_id: int) -> str | None:
    """Return the state of a delivery."""
    row = tx.one(_STATE, delivery_id=delivery_id)
    return row[0] if row else None


_NEWEST_NOTED = "newest delivery"
"""Under this name a transaction, beside which no other one queues, notes the number of the newest delivery."""


def next_delivery_id(tx: Transaction) -> int:
    """Return the number of the delivery that is queued next in this transaction."""
    if _NEWEST_NOTED not in tx.notes:
        row = tx.one(_NEWEST)
        tx.notes[_NEWEST_NOTED] = row[0] or 0 if row else 0
    tx.notes[_NEWEST_NOTED] += 1
    return int(tx.notes[_NEWEST_NOTED])


def enqueue(tx: Transaction, queued: Sequence[NewDelivery], now: str) -> None:
    """Add deliveries of one lane to the outbox, in the order of their numbers."""
    if not queued:
        return
    tx.add(
        _INSERT,
        [
            {
                "delivery_id": new.delivery_id,
                "lane": new.lane,
                "case_id": new.case_id,
                "device_id": new.device_id,
                "record": new.record,
                "state": "waiting",
                "attempts": 0,
                "next_attempt_at": now,
                "batch_id": None,
                "alone": 0,
                "last_error": None,
                "outcome": None,
                "entries": len(new.keys),
                "body": write_json([list(key) for key in new.keys]) + b"\n" + b"\n".join(new.bodies),
                "created_at": now,
                "settled_at": None,
                "concerns": None,
                "conflicts": 0,
                "read_twice": 0,
                "answered_errors": 0,
            }
            for new in queued
        ],
    )
    add_to_lane(tx, queued[0].lane, queued[0].delivery_id, now)
    tx.add(
        _INSERT_WAIT,
        [{"delivery_id": new.delivery_id, "after_id": after} for new in queued for after in sorted(new.waits_for)],
    )


def find_delivery(tx: Transaction, delivery_id: int) -> Delivery | None:
    """Return one delivery."""
    row = tx.one(_ONE, delivery_id=delivery_id)
    return _delivery(row) if row else None


def oldest_waiting(tx: Transaction, lane: str, most: int) -> list[Delivery]:
    """Return up to `most` waiting deliveries of a lane, oldest first, without those that a held one keeps back."""
    return [_delivery(row) for row in tx.run(_WAITING_OF_LANE, lane=lane, most=most)]


def waits_of(tx: Transaction, delivery_id: int) -> set[int]:
    """Return the deliveries that must be delivered before this one and are not yet."""
    return {row[0] for row in tx.run(_WAITS, delivery_id=delivery_id)}


def waits_of_lane(tx: Transaction, lane: str, newest: int) -> dict[int, set[int]]:
    """Return, for the waiting deliveries of a lane up to `newest`, those that must be delivered before."""
    waits: dict[int, set[int]] = {}
    for delivery_id, after_id in tx.run(_WAITS_OF_LANE, lane=lane, newest=newest):
        waits.setdefault(delivery_id, set()).add(after_id)
    return waits


def waits_anything(tx: Transaction, lane: str) -> bool:
    """Return whether anything waits in a lane, be it kept back or not."""
    return tx.one(_WAITS_ANYTHING, lane=lane) is not None


def unread_deliveries(tx: Transaction, after: int, most: int) -> list[int]:
    """Return up to `most` waiting deliveries above `after` that the second reader has not read."""
    return [row[0] for row in tx.run(_UNREAD, after=after, most=most)]


def mark_read_twice(tx: Transaction, delivery_ids: Iterable[int]) -> None:
    """Keep that the second reader has read deliveries and found nothing."""
    tx.run(_SET_READ, of=number_list(delivery_ids))


def deliveries_waiting_for(tx: Transaction, delivery_id: int) -> list[int]:
    """Return the deliveries that cannot leave before this one has arrived."""
    return [row[0] for row in tx.run(_WAITING_FOR, after_id=delivery_id)]


def remove_wait(tx: Transaction, delivery_id: int, after_id: int) -> None:
    """Have a delivery wait no more for another one."""
    tx.run(_REMOVE_WAIT, delivery_id=delivery_id, after_id=after_id)


def add_wait(tx: Transaction, delivery_id: int, after_id: int) -> None:
    """Have a delivery wait for another one."""
    remove_wait(tx, delivery_id, after_id)
    tx.run(_INSERT_WAIT, delivery_id=delivery_id, after_id=after_id)


def resources_of_delivery(tx: Transaction, delivery_id: int) -> list[tuple[str, str, bytes]]:
    """Return type, id and bytes of the resources of a delivery."""
    return resources_of_deliveries(tx, [delivery_id]).get(delivery_id, [])


def resources_of_deliveries(
    tx: Transaction, delivery_ids: Iterable[int]
) -> dict[int, list[tuple[str, str, bytes]]]:
    """Return type, id and bytes of the resources of each of the deliveries."""
    found: dict[int, list[tuple[str, str, bytes]]] = {}
    for delivery_id, whole in tx.run(_BODIES, of=number_list(delivery_ids)):
        first, *bodies = whole.split(b"\n")
        found[delivery_id] = [(key[0], key[1], body) for key, body in zip(read_json(first), bodies, strict=True)]
    return found


def deliveries_of_batch(tx: Transaction, batch_id: int) -> list[Delivery]:
    """Return the deliveries that were sent together and are not settled."""
    return [_delivery(row) for row in tx.run(_OF_BATCH, batch_id=batch_id)]


@dataclass(frozen=True, slots=True)
class KeptBatch:
    """The bytes of a batch, the strategy by which they were made, and the resource types that it left out."""

    strategy: str
    body: bytes
    left_out: frozenset[str] = frozenset()


def keep_batch(tx: Transaction, batch: KeptBatch, members: Iterable[int], now: str) -> int:
    """Keep the bytes that are about to be sent for `members`, so that a retry sends the same; return the number."""
    left_out = ",".join(sorted(batch.left_out)) or None
    row = tx.one(_INSERT_BATCH, strategy=batch.strategy, body=batch.body, created_at=now, left_out=left_out)
    if row is None:
        raise RuntimeError("the database gave the new batch no number")
    tx.run(_SET_BATCH, of=number_list(members), new_batch=row[0], new_alone=0)
    return int(row[0])


def find_batch(tx: Transaction, batch_id: int) -> KeptBatch:
    """Return a batch; RuntimeError where the store has lost it."""
    row = tx.one(_BATCH, batch_id=batch_id)
    if row is None:
        raise RuntimeError(f"the batch {batch_id} is not in the store")
    return KeptBatch(row[0], row[1], frozenset(row[2].split(",")) if row[2] else frozenset())


def dissolve_batch(tx: Transaction, members: Iterable[int], *, alone: bool) -> None:
    """Take deliveries out of their batch, so that new bytes are made for them; `alone`: one by one."""
    tx.run(_SET_BATCH, of=number_list(members), new_batch=None, new_alone=int(alone))


@dataclass(frozen=True, slots=True)
class AttemptResult:
    """What an attempt made of a delivery."""

    state: str
    attempts: int
    next_attempt_at: str
    last_error: str | None
    outcome: str | None
    concerns: str | None = None
    conflicts: int = 0
    answered_errors: int = 0


def record_attempts(tx: Transaction, results: Mapping[int, AttemptResult], now: str, lane: str = "") -> None:
    """Keep what an attempt made of deliveries, by their numbers; what waited for a delivered one waits no more.

    Lanes other than their own `lane` in which something waited for them are woken.
    """
    tx.run_many(
        _RECORD_ATTEMPT,
        [
            {
                "of": delivery_id,
                "new_state": result.state,
                "new_attempts": result.attempts,
                "new_next": result.next_attempt_at,
                "new_error": result.last_error,
                "new_outcome": result.outcome,
                "new_concerns": result.concerns,
                "new_conflicts": result.conflicts,
                "new_errors": result.answered_errors,
                "new_settled": now if result.state != "waiting" else None,
            }
            for delivery_id, result in results.items()
        ],
    )
    arrived = [delivery_id for delivery_id, result in results.items() if result.state == "delivered"]
    if arrived:
        wake_lanes_waiting_for(tx, arrived, lane, now)
        tx.run(_WAITS_DONE, after=number_list(arrived))


def oldest_waiting_since(tx: Transaction) -> str | None:
    """Return since when the oldest waiting delivery waits; None where none does."""
    row = tx.one(_OLDEST_WAITING)
    return row[0] if row else None


def count_by_state(tx: Transaction) -> dict[str, int]:
    """Return how many deliveries are in each state."""
    counted: dict[str, int] = dict(tx.run(_COUNTS))
    return {state: counted.get(state, 0) for state in STATES}


def page_of_deliveries(
    tx: Transaction, state: str | None, case_id: str | None, after: int, most: int
) -> list[Delivery]:
    """Return up to `most` deliveries with a number above `after`, of one state or case where that is given."""
    query = select(*_COLUMNS).where(deliveries.c.delivery_id > bindparam("after"))
    parameters: dict[str, str | int] = {"after": after, "most": most}
    if state is not None:
        query = query.where(deliveries.c.state == bindparam("state"))
        parameters["state"] = state
    if case_id is not None:
        query = query.where(deliveries.c.case_id == bindparam("case_id"))
        parameters["case_id"] = case_id
    statement = Statement(query.order_by(deliveries.c.delivery_id).limit(bindparam("most")))
    return [_delivery(row) for row in tx.run(statement, **parameters)]
