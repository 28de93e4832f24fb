"""Each device of the fleet: its last check, when the next is due, and what its clock shows."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from service.readiness.judge_device import readiness_of
from service.records.clocks import ClockReading
from service.records.instants import parse_instant
from service.records.readiness import CheckVerdict, JudgedCheck, Reason

DAILY = {"type": "defibrillator", "check_interval_hours": 24}
NOW = datetime(2031, 3, 2, 9, tzinfo=UTC)
REASON = Reason("no_spare", "battery", "No spare.")
CHECK = JudgedCheck("k-1", "2031-03-02T07:00:00+01:00", CheckVerdict("ready_with_fault", (REASON,)))


def test_the_next_check_is_due_an_interval_after_the_last_in_the_offset_of_the_last() -> None:
    device = readiness_of(DAILY, CHECK, NOW, None)
    assert device.last_check_at == "2031-03-02T07:00:00+01:00"
    assert device.due_at == "2031-03-03T07:00:00+01:00"
    assert not device.overdue


def test_outcome_and_reasons_are_those_of_the_last_check() -> None:
    device = readiness_of(DAILY, CHECK, NOW, None)
    assert (device.outcome, device.reasons) == ("ready_with_fault", (REASON,))


def test_a_device_is_overdue_after_the_due_moment_and_not_at_it() -> None:
    due = datetime(2031, 3, 3, 6, tzinfo=UTC)
    assert not readiness_of(DAILY, CHECK, due, None).overdue
    assert readiness_of(DAILY, CHECK, due + timedelta(seconds=1), None).overdue


def test_a_device_with_an_interval_that_was_never_checked_is_overdue() -> None:
    device = readiness_of(DAILY, None, NOW, None)
    assert device.overdue
    assert (device.outcome, device.last_check_at, device.due_at, device.reasons) == (None, None, None, ())


def test_a_device_without_an_interval_is_never_due() -> None:
    for check in (None, CHECK):
        device = readiness_of({"type": "defibrillator"}, check, NOW + timedelta(days=4000), None)
        assert device.due_at is None
        assert not device.overdue


def test_the_clock_offset_is_unknown_until_it_was_read() -> None:
    reading = ClockReading("D-3", NOW + timedelta(seconds=162), NOW, "k-1")
    assert readiness_of(DAILY, CHECK, NOW, None).clock_offset_seconds is None
    assert readiness_of(DAILY, CHECK, NOW, reading).clock_offset_seconds == 162


@given(
    hours=st.floats(0.5, 10_000),
    waited=st.timedeltas(timedelta(0), timedelta(days=1000)),
)
def test_overdue_says_the_same_as_due_at(hours: float, waited: timedelta) -> None:
    now = parse_instant(CHECK.checked_at) + waited
    device = readiness_of({"check_interval_hours": hours}, CHECK, now, None)
    assert device.due_at is not None
    assert device.overdue == (now > parse_instant(device.due_at))
