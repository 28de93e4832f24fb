"""Compares FHIR dates and times of any precision, and says where nobody can.

Source: FHIR R4 (4.0.1), datatypes.html, dateTime; FHIRPath 2.0, comparison of partial dates.
"""

from __future__ import annotations

import re
from calendar import monthrange
from datetime import date
from fractions import Fraction

_PARTS = re.compile(
    r"(\d{4})(?:-(\d\d)(?:-(\d\d)(?:T(\d\d):(\d\d):(\d\d)(\.\d+)?(Z|[+-]\d\d:\d\d))?)?)?", re.ASCII
).fullmatch
_DAY_SECONDS = 86_400
_WEST_SECONDS = 12 * 3600
_EAST_SECONDS = 14 * 3600


def _span(text: str) -> tuple[Fraction, Fraction, bool]:
    """Return the first and last second that `text` may mean, and whether its offset is known."""
    match = _PARTS(text)
    if match is None:
        raise ValueError("not a FHIR date or dateTime")
    year, month, day = int(match[1]), int(match[2] or 1), int(match[3] or 1)
    start = date(year, month, day).toordinal() * _DAY_SECONDS
    if match[4] is not None:
        at = start + int(match[4]) * 3600 + int(match[5]) * 60 + int(match[6])
        moment = at + Fraction(match[7] or 0)
        if match[8] != "Z":
            sign = 1 if match[8][0] == "+" else -1
            moment -= sign * (int(match[8][1:3]) * 3600 + int(match[8][4:6]) * 60)
        return Fraction(moment), Fraction(moment), True
    days = 1
    if match[2] is None:
        days = 366 if monthrange(year, 2)[1] == 29 else 365
    elif match[3] is None:
        days = monthrange(year, month)[1]
    return Fraction(start), Fraction(start + days * _DAY_SECONDS - 1), False


def is_not_after(first: str, second: str) -> bool | None:
    """Return whether `first` lies before or at `second`; None where it depends on how they are read.

    A date without a time may lie in any time zone; two such dates are taken to lie in the same one.
    """
    first_earliest, first_latest, first_has_offset = _span(first)
    second_earliest, second_latest, second_has_offset = _span(second)
    if first == second:
        return True
    if first_has_offset and not second_has_offset:
        second_earliest -= _EAST_SECONDS
        second_latest += _WEST_SECONDS
    elif second_has_offset and not first_has_offset:
        first_earliest -= _EAST_SECONDS
        first_latest += _WEST_SECONDS
    if first_latest <= second_earliest:
        return True
    return False if first_earliest > second_latest else None
