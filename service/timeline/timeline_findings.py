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
        "The event lies outside the comparisons of its clock; the nearest one was used.",
    )
    CLOCK_WAS_SET = (
        "clock_was_set",
        "The clock was changed between two comparisons; when is not known.",
    )
    BEFORE_CASE_START = (
        "before_case_start",
        "The event happened before the case began, even where its uncertainty is allowed for.",
    )
    POSSIBLE_DUPLICATE = (
        "possible_duplicate",
        "Another shock stands so close to this one that both may be the same; a person must decide.",
    )
