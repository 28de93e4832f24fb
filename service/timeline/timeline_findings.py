"""The list of what the timeline may find about the time of an event."""

from __future__ import annotations

from enum import StrEnum


class TimelineFinding(StrEnum):
    """What is remarkable about the time of an event; each word with one sentence that explains it."""

    says: str

    def __new__(cls, word: str, says: str) -> TimelineFinding:
        """Return the member whose value is `word` and whose sentence is `says`."""
        member = str.__new__(cls, word)
        member._value_ = word
        member.says = says
        return member

    CLOCK_OFFSET_UNKNOWN = (
        "clock_offset_unknown",
        "The event's clock was never compared with the reference clock, so its corrected time is not known.",
    )
    CLOCK_OFFSET_EXTRAPOLATED = (
        "clock_offset_extrapolated",
        "The event is before the first or after the last comparison of its clock; the nearest comparison was used.",
    )
    CLOCK_WAS_SET = (
        "clock_was_set",
        "The clock was changed between two comparisons; when is not known.",
    )
    BEFORE_CASE_START = (
        "before_case_start",
        "The event is timed before the case began, even if its time is not exact.",
    )
    POSSIBLE_DUPLICATE = (
        "possible_duplicate",
        "Another shock is timed so close to this one that both may be the same shock; a person must decide.",
    )
