"""A date covers the time that its precision says."""

from __future__ import annotations

import pytest

from service.endpoint.date_ranges import read_date_range

# 2031-03-02T00:00:00Z, computed apart: 22 341 days after 1970-01-01 (61 years of 365 days, 15 leap days, 61 days).
MIDNIGHT = (61 * 365 + 15 + 31 + 28 + 1) * 86_400_000_000


@pytest.mark.parametrize(
    ("text", "offset", "length"),
    [
        ("2031-03-02", 0, 86_400_000_000),
        ("2031-03", -86_400_000_000, 31 * 86_400_000_000),
        ("2031", -60 * 86_400_000_000, 365 * 86_400_000_000),
        ("2031-03-02T10:00:00Z", 36_000_000_000, 1_000_000),
        ("2031-03-02T10:00:00+01:00", 32_400_000_000, 1_000_000),
        ("2031-03-02T10:00:00-03:30", 48_600_000_000, 1_000_000),
        ("2031-03-02T10:00Z", 36_000_000_000, 60_000_000),
        ("2031-03-02T10:00:00.25Z", 36_000_250_000, 10_000),
        ("2031-03-02T10:00:00.1234567Z", 36_000_123_456, 1),
        ("2031-12", 274 * 86_400_000_000, 31 * 86_400_000_000),
        ("9999-12-31", 2_910_556 * 86_400_000_000, 86_400_000_000),
        ("2031-03-02T10:00:60Z", 36_060_000_000, 1_000_000),
    ],
)
def test_a_date_covers_the_time_that_its_precision_says(text: str, offset: int, length: int) -> None:
    low, high = read_date_range(text)
    assert (low - MIDNIGHT, high - low) == (offset, length)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "31",
        "2031-13",
        "2031-02-30",
        "2031-03-02T25:00:00Z",
        "2031-03-02T10:61Z",
        "9999-12-31T23:59:60Z",
        "0000",
        "today",
    ],
)
def test_what_is_no_date_is_a_value_error(text: str) -> None:
    with pytest.raises(ValueError, match=r"date|time|month|day|offset|year"):
        read_date_range(text)
