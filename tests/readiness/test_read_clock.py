"""A device's clock is read from the clock item of a check and from an event that compares it."""

from __future__ import annotations

from typing import Any

import pytest

from service.readiness.read_clock import read_clock_comparison, read_clock_item
from tests.support.made_events import at, event, moment

BOTH: dict[str, Any] = {"device_at": at("10:07:42"), "reference_at": at("10:05:00")}


def test_a_clock_item_gives_the_reading_of_the_checked_device() -> None:
    found = read_clock_item("D-3", "k-1", BOTH)
    assert found is not None
    assert (found.clock, found.record_key, found.offset_seconds) == ("D-3", "check:D-3/k-1", 162)
    assert (found.device_at, found.reference_at) == (moment("10:07:42"), moment("10:05:00"))
    assert found.precision_seconds == 1


@pytest.mark.parametrize("half", ["device_at", "reference_at"])
def test_half_a_comparison_is_no_reading(half: str) -> None:
    assert read_clock_item("D-3", "k-1", {half: at("10:05:00")}) is None


def test_an_event_that_compares_a_clock_gives_its_reading_and_its_precision() -> None:
    found = read_clock_comparison(
        event("e-1", "clock_compared", "10:05:00", device="D-3", precision_seconds=60, **BOTH)
    )
    assert found is not None
    assert (found.clock, found.record_key, found.offset_seconds, found.precision_seconds) == (
        "D-3",
        "event:c-1/e-1",
        162,
        60,
    )


@pytest.mark.parametrize(
    ("kind", "more"),
    [
        ("remark", {"device": "D-3"}),
        ("clock_compared", {}),
        ("clock_compared", {"device": "D-3", "retracted": True}),
    ],
    ids=["another kind", "no device", "retracted"],
)
def test_other_events_give_no_reading(kind: str, more: dict[str, Any]) -> None:
    assert read_clock_comparison(event("e-1", kind, "10:05:00", **BOTH, **more)) is None
