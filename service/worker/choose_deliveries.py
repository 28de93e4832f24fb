"""Chooses what can go out now: per lane in order, past what must wait for something that is held."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

from service.storage.deliveries import Delivery, oldest_waiting, waits_of
from service.storage.statements import Transaction

_WINDOW = 500
"""How many of the oldest waiting deliveries are looked at for one round of lanes."""


@dataclass(frozen=True, slots=True)
class BundleLimits:
    """How much one Bundle may hold."""

    entries: int
    size: int


def choose_deliveries(
    tx: Transaction, now: str, busy: Collection[str], limits: BundleLimits
) -> list[tuple[str, list[Delivery]]]:
    """Return the lanes that can be served at `now`, oldest first, with what may go out of each in one Bundle.

    A lane whose next delivery is not due yet waits as a whole, so that its order is kept. A delivery that waits
    for another one (an earlier version, or something that it refers to) is passed over until that has arrived.
    """
    lanes: dict[str, list[Delivery]] = {}
    closed = set(busy)
    for delivery in oldest_waiting(tx, _WINDOW):
        if delivery.lane in closed:
            continue
        chosen = lanes.setdefault(delivery.lane, [])
        if waits_of(tx, delivery.delivery_id) - {member.delivery_id for member in chosen}:
            continue
        if delivery.next_attempt_at > now or (chosen and not _fits(chosen, delivery, limits)):
            closed.add(delivery.lane)
            continue
        chosen.append(delivery)
    return [(lane, members) for lane, members in lanes.items() if members]


def _fits(chosen: Sequence[Delivery], delivery: Delivery, limits: BundleLimits) -> bool:
    """Return whether a delivery may share the Bundle of those that were chosen before it."""
    if chosen[0].alone or delivery.alone or delivery.batch_id != chosen[0].batch_id:
        return False
    entries = sum(member.entries for member in chosen) + delivery.entries
    size = sum(member.size for member in chosen) + delivery.size
    return entries <= limits.entries and size <= limits.size
