"""Sends held deliveries again, or gives them up with a reason; both are logged."""

from __future__ import annotations

from service.audit.append_entry import Action, Happening, append_entry
from service.outbox.hold_for_absent import hold_for_absent
from service.problems import Code, refusal_for
from service.records.receipts import Receipt
from service.records.record_keys import delivery_key
from service.records.references import references_in_json, type_and_id
from service.storage.deliveries import (
    OPEN_STATES,
    Delivery,
    NewState,
    delivery_state,
    find_delivery,
    keep_state,
    page_of_deliveries,
    queue_again,
    resources_of_delivery,
)
from service.storage.delivery_waits import add_wait, deliveries_waiting_for, remove_wait, waits_of
from service.storage.lanes import return_to_lane
from service.storage.remote_ids import remote_id
from service.storage.resources import known_version
from service.storage.statements import Transaction

_MOST_AT_ONCE = 500


def _held(tx: Transaction, delivery_id: int) -> Delivery:
    """Return a held delivery; refuse any other."""
    delivery = find_delivery(tx, delivery_id)
    if delivery is None:
        raise refusal_for(Code.UNKNOWN_DELIVERY, "", "there is no delivery of this id", "an id from /v1/deliveries")
    if delivery.state != "held":
        raise refusal_for(Code.NOT_HELD, "", "the delivery is not held", "a delivery in the state held")
    return delivery


def _queue_again(tx: Transaction, delivery: Delivery, receipt: Receipt) -> None:
    queue_again(tx, delivery.delivery_id, receipt.stamp)
    return_to_lane(tx, delivery.delivery_id, receipt.stamp)
    subject = delivery_key(delivery.delivery_id)
    append_entry(tx, receipt, Happening(Action.RETRY, subject, "queued", delivery.case_id))


def retry_delivery(tx: Transaction, delivery_id: int, receipt: Receipt) -> None:
    """Put a held delivery back into the queue, to go out by itself; refuse any other."""
    _queue_again(tx, _held(tx, delivery_id), receipt)


def retry_held(tx: Transaction, case_id: str | None, receipt: Receipt) -> tuple[list[int], bool]:
    """Put the held deliveries of a case, or of all, back into the queue, oldest first; each goes out by itself.

    Returns the numbers of at most 500, and whether there are more.
    """
    page = page_of_deliveries(tx, "held", case_id, 0, _MOST_AT_ONCE + 1)
    for delivery in page[:_MOST_AT_ONCE]:
        _queue_again(tx, delivery, receipt)
    return [delivery.delivery_id for delivery in page[:_MOST_AT_ONCE]], len(page) > _MOST_AT_ONCE


def discard_delivery(tx: Transaction, delivery_id: int, reason: str, receipt: Receipt) -> None:
    """Give up a held delivery for good; refuse any other.

    What waited for it goes on where it can do without it: a later version of the same resources, and what
    refers to resources that arrived before. What refers to a resource that a newer delivery brings waits for
    that one. The rest is also held, since it would be a link to nothing, and a person decides.
    """
    held = _held(tx, delivery_id)
    new = NewState("discarded", receipt.stamp, held.last_error, held.outcome, held.concerns)
    keep_state(tx, [delivery_id], new, receipt.stamp)
    resources = [f"{kind}/{number}" for kind, number, _ in resources_of_delivery(tx, delivery_id)]
    now_held: list[int] = []
    for dependent in deliveries_waiting_for(tx, delivery_id):
        remove_wait(tx, dependent, delivery_id)
        return_to_lane(tx, dependent, receipt.stamp)
        absent = _absent_after(tx, dependent, frozenset(resources))
        if absent:
            hold_for_absent(tx, dependent, absent, receipt)
            now_held.append(dependent)
    detail = {"reason": reason, "record": held.record, "resources": resources, "now_held": now_held}
    append_entry(
        tx, receipt, Happening(Action.DISCARD, delivery_key(delivery_id), "discarded", held.case_id, detail)
    )


def _absent_after(tx: Transaction, dependent: int, discarded: frozenset[str]) -> list[str]:
    """Have a delivery wait for what brings the discarded resources it refers to; return those nobody brings."""
    parts = resources_of_delivery(tx, dependent)
    own = {f"{kind}/{number}" for kind, number, _ in parts}
    wanted = {reference for *_, body in parts for reference in references_in_json(body)}
    absent: list[str] = []
    for reference in sorted((wanted & discarded) - own):
        resource_type, resource_id = type_and_id(reference)
        if remote_id(tx, resource_type, resource_id) is not None:
            continue
        newest = known_version(tx, resource_type, resource_id)
        bringer = newest.delivery_id if newest is not None else None
        if (
            bringer is None
            or delivery_state(tx, bringer) not in OPEN_STATES
            or _waits_in_the_end(tx, bringer, dependent)
        ):
            absent.append(reference)
        else:
            add_wait(tx, dependent, bringer)
    return absent


def _waits_in_the_end(tx: Transaction, delivery_id: int, for_this: int) -> bool:
    """Return whether a delivery waits for another one, over however many others."""
    seen: set[int] = set()
    to_see = [delivery_id]
    while to_see:
        number = to_see.pop()
        if number == for_this:
            return True
        if number not in seen:
            seen.add(number)
            to_see += waits_of(tx, number)
    return False
