"""FHIR dates as ranges of time, so that values of different precision can be compared by the rules of search."""

from __future__ import annotations

import re
from calendar import monthrange
from datetime import UTC, date, datetime, timedelta, timezone
from typing import NamedTuple

EARLIEST = -(2**62)
LATEST = 2**62

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_DAY = 86_400_000_000
_MICROSECOND = timedelta(microseconds=1)
_DATE_TIME = re.compile(
    r"(?P<year>\d{4})(?:-(?P<month>\d{2})(?:-(?P<day>\d{2})"
    r"(?:T(?P<hour>\d{2}):(?P<minute>\d{2})(?::(?P<second>\d{2})(?:\.(?P<fraction>\d+))?)?"
    # A plus sign that was not escaped in a URL arrives as a space.
    r"(?P<zone>Z|[+\- ]\d{2}:\d{2})?)?)?)?",
    re.ASCII,
)


class DateRange(NamedTuple):
    """The time that a FHIR date covers, from `low` up to but without `high`, in microseconds since 1970 UTC."""

    low: int
    high: int


def read_date_range(text: str) -> DateRange:
    """Return what a FHIR date, dateTime or instant covers, a value without offset read as UTC.

    Raises ValueError where `text` is none of them.
    Source: FHIR R4, search, section 3.1.1.4.7 (implicit ranges of dates).
    """
    match = _DATE_TIME.fullmatch(text)
    if match is None:
        raise ValueError("it is not a FHIR date")
    try:
        return _range_of(match)
    except OverflowError as error:
        raise ValueError("the date is out of range") from error


def _range_of(match: re.Match[str]) -> DateRange:
    year = int(match["year"])
    if match["month"] is None:
        return _range_of_days(date(year, 1, 1), date(year, 12, 31))
    month = int(match["month"])
    if match["day"] is None:
        first = date(year, month, 1)
        return _range_of_days(first, first.replace(day=monthrange(year, month)[1]))
    day = date(year, month, int(match["day"]))
    if match["hour"] is None:
        return _range_of_days(day, day)
    return _range_of_time(match, datetime(day.year, day.month, day.day, tzinfo=_zone(match["zone"])))


def _range_of_time(match: re.Match[str], midnight: datetime) -> DateRange:
    second = int(match["second"] or 0)
    hour, minute = int(match["hour"]), int(match["minute"])
    # R4 allows the leap second 60, but not the hour 24.
    if hour > 23 or minute > 59 or second > 60:
        raise ValueError("the time of day does not exist")
    start = midnight + timedelta(hours=hour, minutes=minute, seconds=second)
    low = _microseconds(start)
    if match["second"] is None:
        return DateRange(low, low + 60_000_000)
    if match["fraction"] is None:
        return DateRange(low, low + 1_000_000)
    digits = match["fraction"][:6]
    low += int(digits.ljust(6, "0"))
    return DateRange(low, low + 10 ** (6 - len(digits)))


def _range_of_days(first: date, last: date) -> DateRange:
    return DateRange(_start_of(first), _start_of(last) + _DAY)


def _start_of(day: date) -> int:
    return _microseconds(datetime(day.year, day.month, day.day, tzinfo=UTC))


def _microseconds(moment: datetime) -> int:
    return (moment - _EPOCH) // _MICROSECOND


def _zone(text: str | None) -> timezone:
    if text is None or text == "Z":
        return UTC
    sign = -1 if text[0] == "-" else 1
    return timezone(sign * timedelta(hours=int(text[1:3]), minutes=int(text[4:6])))
