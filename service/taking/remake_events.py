"""Makes events again whose time or whose case has changed: a few at once, many in units of their own later."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from service.making.stages import Stages
from service.outbox.queue_resources import owned_by_case, queue_and_log
from service.problems import Invalid
from service.reading.find_case import OpenCase, open_case
from service.records.clocks import ClockReading
from service.records.instants import stamp
from service.records.receipts import Receipt
from service.records.record_keys import event_key
from service.storage.clock_readings import forget_reading, keep_reading, reading_of_record, readings_around
from service.storage.events import (
    EARLIEST,
    LATEST,
    PlacedEvent,
    cases_timed_by,
    events_stamped,
    events_timed_by,
    move_events,
)
from service.storage.remakes import Remake, forget_whole_case, go_on_after, keep_remakes, next_remake
from service.storage.statements import Transaction
from service.taking.adjoining_spans import Change
from service.taking.make_changes import make_changes
from service.taking.submissions import Submission, keep_refusal

MOST_AT_ONCE = 100
"""How many events one unit makes again: few enough that no other writer has to wait long."""

_MOST_OF_ONE_TIME = 100_000
"""More events than a case has at one and the same time."""


def change_reading(
    tx: Transaction, stages: Stages, record_key: str, reading: ClockReading | None, receipt: Receipt
) -> None:
    """Keep what a record says of a clock in place of what it said before; None where it says nothing any more.

    Only events between the readings around it change. A few are made again at once, more of them later.
    """
    old = reading_of_record(tx, record_key)
    if old == reading:
        return
    times: dict[str, list[tuple[str, str]]] = {}
    for one, change in ((old, forget_reading), (reading, keep_reading)):
        if one is not None:
            times.setdefault(one.clock, []).append(_affected(tx, one))
            change(tx, one)
    for clock, ranges in times.items():
        whole = min(after for after, _ in ranges), max(until for _, until in ranges)
        _remake_timed_by(tx, stages, clock, whole, receipt)


def _affected(tx: Transaction, reading: ClockReading) -> tuple[str, str]:
    """Return between which times of its clock a reading decides the offset, the first of them left out."""
    around = readings_around(tx, reading.clock, reading.reference_at)
    before = [one for one in around if one.reference_at < reading.reference_at]
    after = [one for one in around if one.reference_at > reading.reference_at]
    shown = [stamp(one.device_at) for one in [*around, reading]]
    # A moment before the first, since a time that equals a reading is decided by it too.
    return _just_before(min(shown)) if before else EARLIEST, max(shown) if after else LATEST


def _just_before(moment: str) -> str:
    """Return a text that sorts before a moment and after all earlier ones."""
    return moment[:-1]


def _remake_timed_by(tx: Transaction, stages: Stages, clock: str, times: tuple[str, str], receipt: Receipt) -> None:
    """Make again what a clock timed between two of its times."""
    affected = events_timed_by(tx, clock, *times, MOST_AT_ONCE + 1)
    if len(affected) > MOST_AT_ONCE:
        cases = cases_timed_by(tx, clock, *times)
        keep_remakes(tx, [Remake(case_id, clock, *times, receipt.actor) for case_id in cases])
        return
    by_case: dict[str, list[PlacedEvent]] = {}
    for placed in affected:
        by_case.setdefault(placed.event.case_id, []).append(placed)
    for case_id, own in by_case.items():
        _remake(open_case(tx, stages, case_id), own, receipt)


def remake_whole_case(tx: Transaction, stages: Stages, case_id: str, receipt: Receipt) -> None:
    """Make all events of a case again, since the case itself has changed; those of a long case later."""
    forget_whole_case(tx, case_id)
    remake = Remake(case_id, None, EARLIEST, LATEST, receipt.actor)
    first = events_stamped(tx, case_id, None, EARLIEST, LATEST, MOST_AT_ONCE + 1)
    if len(first) > MOST_AT_ONCE:
        keep_remakes(tx, [remake])
    elif first:
        _remake(open_case(tx, stages, case_id), first, receipt)


def go_on_remaking(tx: Transaction, stages: Stages, now: datetime) -> bool:
    """Make the next few events again that are still to be made; return whether there were any.

    What is kept after each call is whole, and the next call goes on where it ended, also after a kill.
    """
    remake = next_remake(tx)
    if remake is None:
        return False
    _go_on(tx, stages, remake, now)
    return True


def _go_on(tx: Transaction, stages: Stages, remake: Remake, now: datetime) -> None:
    placed = events_stamped(tx, remake.case_id, remake.clock, remake.after, remake.until, MOST_AT_ONCE)
    if len(placed) == MOST_AT_ONCE:
        last = _stamped(placed[-1])
        # All events of one time are done together, since the next unit begins after it.
        same_time = events_stamped(tx, remake.case_id, remake.clock, _just_before(last), last, _MOST_OF_ONE_TIME)
        seen = {one.event.id for one in placed}
        placed += [one for one in same_time if one.event.id not in seen]
        go_on_after(tx, remake, last)
    else:
        go_on_after(tx, remake, None)
    if placed:
        _remake(open_case(tx, stages, remake.case_id), placed, Receipt(remake.actor, now))


def _stamped(placed: PlacedEvent) -> str:
    return stamp(datetime.fromisoformat(placed.event.at))


def _remake(case: OpenCase, placed: Sequence[PlacedEvent], receipt: Receipt) -> None:
    """Make events again, with the spans that they adjoin, and keep where they are on the timeline now.

    An event of which the mapping in force makes what breaks FHIR R4 stays as it is; the log says so.
    """
    try:
        made = make_changes(case, [Change(one.event, one.order_at) for one in placed])
    except Invalid as invalid:
        if len(placed) > 1:
            for one in placed:
                _remake(case, [one], receipt)
        else:
            key = event_key(case.case_id, placed[0].event.id)
            keep_refusal(case.tx, Submission(receipt, key, b"", case.case_id), invalid)
        return
    moved = [(one, made.timeline.time_of(one.event).order_at) for one in placed]
    move_events(case.tx, case.case_id, [(one.event.id, at) for one, at in moved if stamp(at) != one.order_at])
    queue_and_log(case.tx, owned_by_case(case.case_id), made.deliveries, receipt)
