"""Moments are put in order only where the order does not depend on how they are read."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.checking.moments import is_not_after


@pytest.mark.parametrize(
    ("first", "second", "expected"),
    [
        ("2031-03-02T10:00:00Z", "2031-03-02T10:00:00Z", True),
        ("2031-03-02T10:00:00+01:00", "2031-03-02T09:00:00Z", True),
        ("2031-03-02T09:00:00.001Z", "2031-03-02T10:00:00+01:00", False),
        ("2031-03-02T10:00:00.1234567891Z", "2031-03-02T10:00:00.123456789Z", False),
        ("2031-03-02T23:59:60Z", "2031-03-03T00:00:00Z", True),
        ("2031-03-02", "2031-03-02", True),
        ("2031-03-02", "2031-03-03", True),
        ("2031-03-03", "2031-03-02", False),
        ("2031", "2031-05", None),
        ("2031-05", "2031", None),
        ("2031", "2032-01-01", True),
        ("2032-01", "2031", False),
        ("2031-03-02", "2031-03-02T12:00:00Z", None),
        ("2031-03-02", "2031-03-04T00:00:00Z", True),
        ("2031-03-04", "2031-03-02T23:59:59Z", False),
        ("2031-03-03", "2031-03-02T23:59:59Z", None),
        ("2031-03-02T00:00:00+14:00", "2031-03-01", None),
        ("0001", "0001-01-01T00:00:00+14:00", None),
        ("9999-12-31", "9999-12-31T23:59:59-14:00", True),
    ],
)
def test_the_order_is_told_where_it_does_not_depend_on_the_reading(
    first: str,
    second: str,
    expected: bool | None,  # noqa: FBT001 - pytest hands it over by name.
) -> None:
    assert is_not_after(first, second) is expected


dates = st.dates().map(str)


@given(first=dates, second=dates)
def test_whole_dates_are_ordered_as_their_text_is(first: str, second: str) -> None:
    assert is_not_after(first, second) is (first <= second)


def test_what_is_no_date_is_refused() -> None:
    with pytest.raises(ValueError, match="not a FHIR date"):
        is_not_after("yesterday", "2031")
