"""Chooses what goes out of a lane next: in order, past what must wait for something that is held."""

from __future__ import annotations

from collections.abc import Mapping, Sequence, Set
from dataclasses import dataclass
from datetime import datetime, timedelta

from service.outbox.batch import Batch, load_batch
from service.records.instants import stamp
from service.settings import Strategy
from service.storage.deliveries import Delivery, oldest_waiting, waits_anything
from service.storage.delivery_waits import waits_of_lane
from service.storage.statements import Transaction

_WINDOW = 200
"""How many of the oldest waiting deliveries of a lane are looked at; a Bundle holds at most half as many."""

LOOK_AGAIN = timedelta(seconds=60)
"""When a lane is looked at that waits for others; whatever frees it wakes it, so this is for caution only."""


@dataclass(frozen=True, slots=True)
class SendingRules:
    """How much one Bundle may hold, which types are left out, and the longest for which anything is put off."""

    entries: int
    size: int
    left_out: frozenset[str]
    longest_pause: timedelta


@dataclass(frozen=True, slots=True)
class NothingNow:
    """Nothing of a lane can go out. `look_at` is when to look again, and None where nothing waits in it at all."""

    look_at: str | None


def choose_batch(
    tx: Transaction, lane: str, now: datetime, rules: SendingRules, strategy: Strategy
) -> Batch | NothingNow:
    """Return the next batch of a lane, or why there is none.

    `strategy` says how resources are addressed that have not been sent before.

    A lane whose next delivery is not due yet waits as a whole, so that its order is kept. A delivery that waits
    for another one (an earlier version, or something that it refers to) is passed over until that has arrived.
    Machines that share the store have clocks of their own: what is due later than anything can be was put off by
    one that was ahead, and is due now.
    """
    # A Bundle's worth and one more is enough, unless some of it must wait.
    for most in (rules.entries + 1, _WINDOW):
        waiting = oldest_waiting(tx, lane, most)
        waits = waits_of_lane(tx, lane, waiting[-1].delivery_id) if waiting else {}
        chosen, next_one = _in_order(waiting, waits, now, rules)
        if next_one is not None or len(waiting) < most:
            break
    if chosen:
        return load_batch(tx, chosen, strategy, rules.left_out)
    if next_one is not None:
        return NothingNow(next_one.next_attempt_at)
    is_waiting = bool(waiting) or waits_anything(tx, lane)
    return NothingNow(stamp(now + LOOK_AGAIN) if is_waiting else None)


def _in_order(
    waiting: Sequence[Delivery], waits: Mapping[int, Set[int]], now: datetime, rules: SendingRules
) -> tuple[list[Delivery], Delivery | None]:
    """Return those that go out together, and the next one, where it is not due or fits no more."""
    earliest, latest = stamp(now), stamp(now + rules.longest_pause)
    chosen: list[Delivery] = []
    numbers: set[int] = set()
    for delivery in waiting:
        if waits.get(delivery.delivery_id, set()) - numbers:
            continue
        if earliest < delivery.next_attempt_at <= latest or (chosen and not _fits(chosen, delivery, rules)):
            return chosen, delivery
        chosen.append(delivery)
        numbers.add(delivery.delivery_id)
    return chosen, None


def _fits(chosen: Sequence[Delivery], delivery: Delivery, rules: SendingRules) -> bool:
    """Return whether a delivery may share the Bundle of those that were chosen before it."""
    if chosen[0].alone or delivery.alone or delivery.batch_id != chosen[0].batch_id:
        return False
    entries = sum(member.entries for member in chosen) + delivery.entries
    size = sum(member.size for member in chosen) + delivery.size
    return entries <= rules.entries and size <= rules.size
