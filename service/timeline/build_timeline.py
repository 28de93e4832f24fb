"""Shows the timeline: an entry for each event of a case, with what is odd about its time."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import timedelta
from typing import Literal

from service.records.events import RecordedEvent
from service.records.timeline import Timeline
from service.timeline.timeline_findings import TimelineFinding

SHOCK_KINDS = frozenset(("shock_delivered", "cardioversion_delivered"))

RECHARGE = timedelta(seconds=5)
"""Two shocks closer than this are hardly two: a device must charge between. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class TimelineEntry:
    """One event on the timeline, in the members of the API contract.

    `at` is as the client sent it; `corrected_at` is on the reference clock in the same offset, and None where the
    offset of the event's clock is not known. `findings` are words of `TimelineFinding`.
    """

    event_id: str
    kind: str
    at: str
    corrected_at: str | None
    uncertainty_seconds: float | None
    version: int
    state: Literal["recorded", "entered_in_error"]
    findings: tuple[str, ...]


def build_timeline(timeline: Timeline) -> list[TimelineEntry]:
    """Return an entry for every event of a case, those entered in error too, in the order of the timeline.

    An event whose clock was never compared is placed at its raw time. Nothing is dropped, clamped or merged: what
    looks odd is said in the findings of the entry.
    """
    doubtful = frozenset(_possible_duplicates(timeline))
    return [_entry(event, timeline, doubtful) for event in timeline.events]


def _entry(event: RecordedEvent, timeline: Timeline, doubtful: frozenset[str]) -> TimelineEntry:
    time = timeline.time_of(event)
    return TimelineEntry(
        event_id=event.id,
        kind=event.kind,
        at=event.at,
        corrected_at=None if time.corrected_at is None else time.text,
        uncertainty_seconds=time.uncertainty_seconds,
        version=event.version,
        state="entered_in_error" if event.retracted else "recorded",
        findings=(*time.findings, *_findings_of_place(event, timeline, doubtful)),
    )


def _findings_of_place(event: RecordedEvent, timeline: Timeline, doubtful: frozenset[str]) -> Iterator[str]:
    """Yield what is odd about the place of an event among others; one entered in error has no place."""
    if event.retracted:
        return
    time = timeline.time_of(event)
    started, happened = timeline.started_at, time.corrected_at
    if started is not None and happened is not None and happened + time.doubt < started:
        yield TimelineFinding.BEFORE_CASE_START
    if event.id in doubtful:
        yield TimelineFinding.POSSIBLE_DUPLICATE


def _possible_duplicates(timeline: Timeline) -> Iterator[str]:
    """Yield the ids of the shocks that may have been recorded twice (by two people, or person and device)."""
    shocks = [
        event
        for event in timeline.live
        if event.kind in SHOCK_KINDS and timeline.time_of(event).corrected_at is not None
    ]
    most_doubt = max((timeline.time_of(shock).doubt for shock in shocks), default=timedelta())
    for place, one in enumerate(shocks):
        time = timeline.time_of(one)
        for other in shocks[place + 1 :]:
            apart = timeline.time_of(other).order_at - time.order_at
            if apart > max(RECHARGE, time.doubt + most_doubt):
                break  # Those that follow are later still.
            # Who wrote down two shocks saw two; a second record by another has a doubt of its own.
            doubt = timedelta() if _same_origin(one, other) else time.doubt + timeline.time_of(other).doubt
            if apart <= max(RECHARGE, doubt) and not _differ(one, other):
                yield from (one.id, other.id)


def _same_origin(one: RecordedEvent, other: RecordedEvent) -> bool:
    return all(one.content.get(field) == other.content.get(field) for field in ("source", "device", "recorded_by"))


def _differ(one: RecordedEvent, other: RecordedEvent) -> bool:
    """Return whether what both say of their energy, or of their number on one device, tells them apart."""

    def both_say_otherwise(field: str) -> bool:
        mine, its = one.content.get(field), other.content.get(field)
        return mine is not None and its is not None and mine != its

    same_device = one.content.get("device") is not None and one.content["device"] == other.content.get("device")
    return both_say_otherwise("energy_selected_joules") or (same_device and both_say_otherwise("shock_number"))
