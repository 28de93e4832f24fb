"""A span of a case, such as a period of compressions, found on the timeline and handed to the mapping."""

from __future__ import annotations

from dataclasses import dataclass

from service.records.events import RecordedEvent

CASE = "case"
"""Stands where the id of a span's first event would, for a span that begins with the case itself."""


@dataclass(frozen=True, slots=True)
class Span:
    """What went on in a case from a start to an end.

    `start_event` is None for a span that begins with the case; `end_event` is None while the span goes on.
    `members` lie between the two, in corrected order, and contain neither.
    """

    name: str
    start_event: RecordedEvent | None
    end_event: RecordedEvent | None
    members: tuple[RecordedEvent, ...]

    @property
    def start(self) -> str:
        """Return the id of the first event, or the word `case`: by it and its name a span is known."""
        return CASE if self.start_event is None else self.start_event.id

    @property
    def events(self) -> tuple[RecordedEvent, ...]:
        """Return the start, the members and the end, in corrected order."""
        start = () if self.start_event is None else (self.start_event,)
        end = () if self.end_event is None else (self.end_event,)
        return (*start, *self.members, *end)
