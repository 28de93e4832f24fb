"""Moments as clients write them (RFC 3339 with an offset) and as the service calculates with them (UTC)."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

# RFC 3339, section 5.6, with the capital letters that FHIR's dateTime wants.
_RFC3339 = re.compile(
    r"\d{4}-(0[1-9]|1[0-2])-(0[1-9]|[12]\d|3[01])T([01]\d|2[0-3]):[0-5]\d:[0-5]\d(\.\d{1,9})?"
    r"(Z|[+-](0\d|1[0-3]):[0-5]\d|[+-]14:00)"
)
_LOCAL = re.compile(r"\d{4}-\d{2}-\d{2}T\d{2}:\d{2}(:\d{2}(\.\d+)?)?")
# Times of a resuscitation lie in the era of electronic records; a year outside it is a typing error.
_FIRST_YEAR, _LAST_YEAR = 1950, 2199


def lacks_offset(text: str) -> bool:
    """Return whether `text` is a local time: right but for the missing offset."""
    return _LOCAL.fullmatch(text) is not None


def is_instant(text: str) -> bool:
    """Return whether `text` is an RFC 3339 time with offset that exists in the calendar."""
    if _RFC3339.fullmatch(text) is None:
        return False
    try:
        return _FIRST_YEAR <= datetime.fromisoformat(text).year <= _LAST_YEAR
    except ValueError:
        return False


def parse_instant(text: str) -> datetime:
    """Return the moment in UTC; `text` has passed `is_instant`."""
    return datetime.fromisoformat(text).astimezone(UTC)


def shift_instant(text: str, seconds: float) -> str:
    """Return `text` moved by `seconds`, in the same offset, with a fraction only where there is one."""
    moved = datetime.fromisoformat(text) + timedelta(seconds=seconds)
    return format_moment(moved)


def format_moment(moment: datetime) -> str:
    """Return an RFC 3339 time in the offset of `moment`; UTC is written as Z."""
    precision = "microseconds" if moment.microsecond % 1000 else "milliseconds" if moment.microsecond else "seconds"
    text = moment.isoformat(timespec=precision)
    return text.removesuffix("+00:00") + "Z" if text.endswith("+00:00") else text


def format_instant(moment: datetime) -> str:
    """Return a moment as FHIR's instant in UTC, cut to milliseconds, which is as finely as servers keep it."""
    return moment.astimezone(UTC).isoformat(timespec="milliseconds").removesuffix("+00:00") + "Z"


def stamp(moment: datetime) -> str:
    """Return the one spelling of a moment that sorts as text: UTC with microseconds and Z."""
    return moment.astimezone(UTC).isoformat(timespec="microseconds").removesuffix("+00:00") + "Z"
