"""Last step of the timeline: all events of a case in the order in which they happened, with what is odd."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import combinations
from math import inf
from typing import Literal

from service.records.clocks import ClockReading, CorrectedTime
from service.records.events import RecordedEvent
from service.records.instants import shift_instant
from service.timeline.correct_times import correct_times, order_events
from service.timeline.timeline_findings import TimelineFinding

SHOCK_KINDS = frozenset(("shock_delivered", "cardioversion_delivered"))

RECHARGE_SECONDS = 5.0
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


def build_timeline(
    events: Iterable[RecordedEvent],
    readings_by_clock: Mapping[str, Sequence[ClockReading]],
    case_started_at: datetime | None = None,
) -> list[TimelineEntry]:
    """Return an entry for every event of a case, retracted ones too, by corrected time and then by id.

    An event whose clock was never compared stands at its raw time. Nothing is dropped, clamped or merged: what
    looks odd is said in the findings of the entry.
    """
    events = list(events)
    corrected = correct_times(events, readings_by_clock)
    ordered = order_events(events, corrected)
    doubtful = _possible_duplicates(ordered, corrected)
    return [
        _entry(event, corrected[event.id], _more_findings(event, corrected[event.id], doubtful, case_started_at))
        for event in ordered
    ]


def _entry(event: RecordedEvent, time: CorrectedTime, findings: tuple[str, ...]) -> TimelineEntry:
    return TimelineEntry(
        event_id=event.id,
        kind=event.kind,
        at=event.at,
        corrected_at=_corrected_text(time),
        uncertainty_seconds=time.uncertainty_seconds,
        version=event.version,
        state="entered_in_error" if event.retracted else "recorded",
        findings=(*time.findings, *findings),
    )


def _corrected_text(time: CorrectedTime) -> str | None:
    match time.offset_seconds:
        case None:
            return None
        case 0:
            return time.at
        case seconds:
            return shift_instant(time.at, -seconds)


def _more_findings(
    event: RecordedEvent, time: CorrectedTime, doubtful: frozenset[str], case_started_at: datetime | None
) -> tuple[str, ...]:
    """Return what is odd about the place of an event among others; a retracted event has no place."""
    if event.retracted:
        return ()
    findings = []
    if case_started_at is not None and time.corrected_at is not None:
        latest = time.corrected_at + timedelta(seconds=_doubt(time))
        if latest < case_started_at:
            findings.append(TimelineFinding.BEFORE_CASE_START)
    if event.id in doubtful:
        findings.append(TimelineFinding.POSSIBLE_DUPLICATE)
    return tuple(findings)


def _possible_duplicates(events: Sequence[RecordedEvent], corrected: Mapping[str, CorrectedTime]) -> frozenset[str]:
    """Return the ids of the shocks that may have been recorded twice (by two people, or person and device)."""
    shocks = [event for event in events if event.kind in SHOCK_KINDS and not event.retracted]
    return frozenset(
        shock.id
        for one, other in combinations(shocks, 2)
        if not _differ(one, other)
        and _seconds_apart(corrected[one.id], corrected[other.id])
        <= max(
            RECHARGE_SECONDS,
            # Who wrote down two shocks saw two; a second record by another has a doubt of its own.
            0 if _same_origin(one, other) else _doubt(corrected[one.id]) + _doubt(corrected[other.id]),
        )
        for shock in (one, other)
    )


def _seconds_apart(one: CorrectedTime, other: CorrectedTime) -> float:
    if one.corrected_at is None or other.corrected_at is None:
        return inf
    return abs((other.corrected_at - one.corrected_at).total_seconds())


def _doubt(time: CorrectedTime) -> float:
    return time.uncertainty_seconds or 0


def _same_origin(one: RecordedEvent, other: RecordedEvent) -> bool:
    return all(one.content.get(field) == other.content.get(field) for field in ("source", "device", "recorded_by"))


def _differ(one: RecordedEvent, other: RecordedEvent) -> bool:
    """Return whether what both say of their energy, or of their number on one device, tells them apart."""

    def both_say_otherwise(field: str) -> bool:
        mine, its = one.content.get(field), other.content.get(field)
        return mine is not None and its is not None and mine != its

    same_device = one.content.get("device") is not None and one.content["device"] == other.content.get("device")
    return both_say_otherwise("energy_selected_joules") or (same_device and both_say_otherwise("shock_number"))
