"""Chooses what can go out now: per lane in order, past what must wait for something that is held."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

from service.storage.deliveries import Delivery, oldest_waiting, waiting_lanes, waits_of
from service.storage.statements import Transaction

_WINDOW = 200
"""How many of the oldest waiting deliveries of a lane are looked at; a Bundle holds at most half as many."""


@dataclass(frozen=True, slots=True)
class BundleLimits:
    """How much one Bundle may hold."""

    entries: int
    size: int


def choose_deliveries(
    tx: Transaction, now: str, busy: Collection[str], most_lanes: int, limits: BundleLimits
) -> list[tuple[str, list[Delivery]]]:
    """Return up to `most_lanes` lanes that can be served at `now`, oldest first, with what goes out of each.

    However much waits in one lane, it keeps no other one back.
    """
    lanes: list[tuple[str, list[Delivery]]] = []
    for lane in waiting_lanes(tx):
        if len(lanes) == most_lanes:
            break
        if lane not in busy and (chosen := _choose_of_lane(tx, lane, now, limits)):
            lanes.append((lane, chosen))
    return lanes


def _choose_of_lane(tx: Transaction, lane: str, now: str, limits: BundleLimits) -> list[Delivery]:
    """Return what may go out of a lane in one Bundle.

    A lane whose next delivery is not due yet waits as a whole, so that its order is kept. A delivery that waits
    for another one (an earlier version, or something that it refers to) is passed over until that has arrived.
    """
    chosen: list[Delivery] = []
    for delivery in oldest_waiting(tx, lane, _WINDOW):
        if waits_of(tx, delivery.delivery_id) - {member.delivery_id for member in chosen}:
            continue
        if delivery.next_attempt_at > now or (chosen and not _fits(chosen, delivery, limits)):
            break
        chosen.append(delivery)
    return chosen


def _fits(chosen: Sequence[Delivery], delivery: Delivery, limits: BundleLimits) -> bool:
    """Return whether a delivery may share the Bundle of those that were chosen before it."""
    if chosen[0].alone or delivery.alone or delivery.batch_id != chosen[0].batch_id:
        return False
    entries = sum(member.entries for member in chosen) + delivery.entries
    size = sum(member.size for member in chosen) + delivery.size
    return entries <= limits.entries and size <= limits.size
