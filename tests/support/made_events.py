"""Makes kept events for tests of the pure stages, without any intake or store."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

from service.records.clocks import ClockReading
from service.records.events import RecordedEvent
from service.records.instants import parse_instant
from service.records.timeline import Timeline
from service.timeline.correct_times import NO_HISTORY, ClockHistory, place_events

RECEIVED_AT = datetime(2031, 3, 2, 12, tzinfo=UTC)


def at(time_of_day: str) -> str:
    """Return a time of the day on which the made-up case happens, as a client writes it."""
    return f"2031-03-02T{time_of_day}+01:00"


def moment(time_of_day: str) -> datetime:
    """Return the same moment in UTC."""
    return parse_instant(at(time_of_day))


def event(
    event_id: str, kind: str, time_of_day: str, *, retracted: bool = False, version: int = 1, **fields: Any
) -> RecordedEvent:
    """Return one kept event of the made-up case."""
    content = {"id": event_id, "kind": kind, "at": at(time_of_day), **fields}
    return RecordedEvent("c-1", event_id, kind, version, retracted, content, RECEIVED_AT)


def event_at(text: str, **fields: Any) -> RecordedEvent:
    """Return a remark whose time is written exactly as `text`."""
    made = event("e-1", "remark", "00:00:00", **fields)
    return replace(made, content={**made.content, "at": text})


def timeline(
    events: Iterable[RecordedEvent],
    readings: Mapping[str, Iterable[ClockReading]] | None = None,
    started_at: datetime | None = None,
) -> Timeline:
    """Return the timeline of events, on clocks with these readings."""
    histories = {clock: ClockHistory(known) for clock, known in (readings or {}).items()}
    return place_events(list(events), lambda clock: histories.get(clock or "", NO_HISTORY), started_at)


def reading(clock: str, device: str, reference: str, **more: Any) -> ClockReading:
    """Return one comparison of a device's clock with the reference clock."""
    return ClockReading(clock, moment(device), moment(reference), record_key=f"{clock} at {reference}", **more)
