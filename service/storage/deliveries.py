"""The outbox: deliveries in the order of their making, with the resources that each brings."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from sqlalchemy import bindparam, exists, func, insert, null, select, update

from service.exact_json import read_json, write_json
from service.storage.delivery_waits import add_waits, end_waits_for
from service.storage.lanes import add_to_lane, wake_lanes_waiting_for
from service.storage.schema import deliveries, delivery_bodies, delivery_waits
from service.storage.statements import Among, Statement, Transaction, number_list

STATES = ("waiting", "delivered", "held", "discarded", "left-out")
"""What may be said of a delivery. One that is discarded was given up by a person and is never sent; of one that is
left out, nothing was to be sent."""

OPEN_STATES = frozenset(("waiting", "held"))
"""The states of a delivery that may still arrive."""


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


class Delivery(NamedTuple):
    """One delivery with its state, without its resources: the columns of its row, in this order.

    `alone` is 1 where it goes out by itself, `read_twice` where the second reader has read it, else both are 0.
    """

    delivery_id: int
    lane: str
    case_id: str | None
    device_id: str | None
    record: str
    state: str
    attempts: int
    next_attempt_at: str
    batch_id: int | None
    alone: int
    last_error: str | None
    outcome: str | None
    entries: int
    size: int
    concerns: str | None
    conflicts: int
    read_twice: int
    answered_errors: int


_COLUMNS = [deliveries.c[name] for name in Delivery._fields]
_INSERT = Statement(
    insert(deliveries),
    columns=(
        *("delivery_id", "lane", "case_id", "device_id", "record", "state", "attempts", "next_attempt_at", "alone"),
        *("entries", "size", "created_at"),
    ),
)
_INSERT_BODY = Statement(insert(delivery_bodies))
_NEWEST = Statement(select(func.max(deliveries.c.delivery_id)))
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
_BODIES = Statement(
    select(delivery_bodies.c.delivery_id, delivery_bodies.c.body).where(Among(delivery_bodies.c.delivery_id, "of"))
)
_OF_BATCH = Statement(
    select(*_COLUMNS)
    .where(deliveries.c.batch_id == bindparam("batch_id"), deliveries.c.state == "waiting")
    .order_by(deliveries.c.delivery_id)
)
_KEEP_STATE = Statement(
    update(deliveries)
    .where(Among(deliveries.c.delivery_id, "of"))
    .values(
        state=bindparam("new_state"),
        next_attempt_at=bindparam("new_next"),
        last_error=bindparam("new_error"),
        outcome=bindparam("new_outcome"),
        concerns=bindparam("new_concerns"),
        attempts=deliveries.c.attempts + bindparam("more_attempts"),
        conflicts=deliveries.c.conflicts + bindparam("more_conflicts"),
        answered_errors=deliveries.c.answered_errors + bindparam("more_errors"),
        settled_at=bindparam("new_settled"),
    )
)
_QUEUE_AGAIN = Statement(
    update(deliveries)
    .where(deliveries.c.delivery_id == bindparam("of"))
    .values(
        state="waiting",
        next_attempt_at=bindparam("now"),
        attempts=0,
        conflicts=0,
        answered_errors=0,
        settled_at=null(),
        batch_id=null(),
        alone=1,
    )
)
_OLDEST_WAITING = Statement(select(func.min(deliveries.c.created_at)).where(deliveries.c.state == "waiting"))
_COUNTS = Statement(select(deliveries.c.state, func.count()).group_by(deliveries.c.state))


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
    bodies = [write_json([list(key) for key in new.keys]) + b"\n" + b"\n".join(new.bodies) for new in queued]
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
                "alone": 0,
                "entries": len(new.keys),
                "size": len(body),
                "created_at": now,
            }
            for new, body in zip(queued, bodies, strict=True)
        ],
    )
    tx.add(
        _INSERT_BODY,
        [{"delivery_id": new.delivery_id, "body": body} for new, body in zip(queued, bodies, strict=True)],
    )
    add_to_lane(tx, queued[0].lane, queued[0].delivery_id, now)
    for new in queued:
        add_waits(tx, new.delivery_id, new.waits_for)


def find_delivery(tx: Transaction, delivery_id: int) -> Delivery | None:
    """Return one delivery."""
    row = tx.one(_ONE, delivery_id=delivery_id)
    return Delivery._make(row) if row else None


def oldest_waiting(tx: Transaction, lane: str, most: int) -> list[Delivery]:
    """Return up to `most` waiting deliveries of a lane, oldest first, without those that a held one keeps back."""
    return [Delivery._make(row) for row in tx.run(_WAITING_OF_LANE, lane=lane, most=most)]


def waits_anything(tx: Transaction, lane: str) -> bool:
    """Return whether anything waits in a lane, be it kept back or not."""
    return tx.one(_WAITS_ANYTHING, lane=lane) is not None


def unread_deliveries(tx: Transaction, after: int, most: int) -> list[int]:
    """Return up to `most` waiting deliveries above `after` that the second reader has not read."""
    return [row[0] for row in tx.run(_UNREAD, after=after, most=most)]


def mark_read_twice(tx: Transaction, delivery_ids: Iterable[int]) -> None:
    """Keep that the second reader has read deliveries and found nothing."""
    tx.run(_SET_READ, of=number_list(delivery_ids))


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
    return [Delivery._make(row) for row in tx.run(_OF_BATCH, batch_id=batch_id)]


class NewState(NamedTuple):
    """What is said of deliveries from now on; `attempts`, `conflicts` and `errors` are added to those before."""

    state: str
    due: str
    last_error: str | None = None
    outcome: str | None = None
    concerns: str | None = None
    attempts: int = 0
    conflicts: int = 0
    errors: int = 0


def keep_state(tx: Transaction, delivery_ids: Sequence[int], new: NewState, now: str, lane: str = "") -> None:
    """Keep a new state of deliveries; what waited for them waits no more where they are done.

    Lanes other than their own `lane` in which something waited for them are woken then.
    """
    tx.run(
        _KEEP_STATE,
        of=number_list(delivery_ids),
        new_state=new.state,
        new_next=new.due,
        new_error=new.last_error,
        new_outcome=new.outcome,
        new_concerns=new.concerns,
        more_attempts=new.attempts,
        more_conflicts=new.conflicts,
        more_errors=new.errors,
        new_settled=None if new.state == "waiting" else now,
    )
    if new.state in ("delivered", "left-out"):
        wake_lanes_waiting_for(tx, delivery_ids, lane, now)
        end_waits_for(tx, delivery_ids)


def queue_again(tx: Transaction, delivery_id: int, now: str) -> None:
    """Have a delivery wait again, as if it had never been sent; it goes out by itself."""
    tx.run(_QUEUE_AGAIN, of=delivery_id, now=now)


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
    return [Delivery._make(row) for row in tx.run(statement, **parameters)]
