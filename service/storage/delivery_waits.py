"""Which delivery must arrive before which other one."""

from __future__ import annotations

from collections.abc import Iterable

from sqlalchemy import bindparam, delete, insert, select

from service.storage.schema import deliveries, delivery_waits
from service.storage.statements import Among, Statement, Transaction, number_list

_INSERT = Statement(insert(delivery_waits))
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
_WAITING_FOR = Statement(
    select(delivery_waits.c.delivery_id)
    .where(delivery_waits.c.after_id == bindparam("after_id"))
    .order_by(delivery_waits.c.delivery_id)
)
_REMOVE = Statement(
    delete(delivery_waits).where(
        delivery_waits.c.delivery_id == bindparam("delivery_id"), delivery_waits.c.after_id == bindparam("after_id")
    )
)
_END = Statement(delete(delivery_waits).where(Among(delivery_waits.c.after_id, "after")))


def add_waits(tx: Transaction, delivery_id: int, after: Iterable[int]) -> None:
    """Have a new delivery wait for others."""
    tx.add(_INSERT, [{"delivery_id": delivery_id, "after_id": after_id} for after_id in sorted(after)])


def waits_of(tx: Transaction, delivery_id: int) -> set[int]:
    """Return the deliveries that must be delivered before this one and are not yet."""
    return {row[0] for row in tx.run(_WAITS, delivery_id=delivery_id)}


def waits_of_lane(tx: Transaction, lane: str, newest: int) -> dict[int, set[int]]:
    """Return, for the waiting deliveries of a lane up to `newest`, those that must be delivered before."""
    waits: dict[int, set[int]] = {}
    for delivery_id, after_id in tx.run(_WAITS_OF_LANE, lane=lane, newest=newest):
        waits.setdefault(delivery_id, set()).add(after_id)
    return waits


def deliveries_waiting_for(tx: Transaction, delivery_id: int) -> list[int]:
    """Return the deliveries that cannot leave before this one has arrived."""
    return [row[0] for row in tx.run(_WAITING_FOR, after_id=delivery_id)]


def remove_wait(tx: Transaction, delivery_id: int, after_id: int) -> None:
    """Have a delivery wait no more for another one."""
    tx.run(_REMOVE, delivery_id=delivery_id, after_id=after_id)


def add_wait(tx: Transaction, delivery_id: int, after_id: int) -> None:
    """Have a delivery wait for another one, whether or not it did before."""
    remove_wait(tx, delivery_id, after_id)
    tx.run(_INSERT, delivery_id=delivery_id, after_id=after_id)


def end_waits_for(tx: Transaction, delivery_ids: Iterable[int]) -> None:
    """Have nothing wait any more for deliveries."""
    tx.run(_END, after=number_list(delivery_ids))
