"""A span of a case, such as one run of compressions, found on the timeline and handed to the mapping."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from service.records.events import RecordedEvent


@dataclass(frozen=True, slots=True)
class Span:
    """One stretch of a case between a start and an end.

    `start_event` is None for a span that begins with the case; `end_event` is None while the span goes on.
    `members` lie between the two, in corrected order, and contain neither. `started` and `ended` (UTC) are on
    the reference clock, and None where there is no such moment or the offset of its clock is not known.
    """

    name: str
    start_event: RecordedEvent | None
    end_event: RecordedEvent | None
    members: tuple[RecordedEvent, ...]
    started: datetime | None
    ended: datetime | None

    @property
    def events(self) -> tuple[RecordedEvent, ...]:
        """Return the start, the members and the end, in corrected order."""
        start = () if self.start_event is None else (self.start_event,)
        end = () if self.end_event is None else (self.end_event,)
        return (*start, *self.members, *end)
