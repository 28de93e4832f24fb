"""The time that a device's clock showed is put on the reference clock, with an honest uncertainty."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from service.records.clocks import ClockReading
from service.records.instants import format_moment
from service.timeline.correct_times import NO_HISTORY, USUAL_DRIFT, ClockHistory, correct
from tests.support.made_events import event, event_at, moment, reading, timeline

START = datetime(2031, 3, 2, 9, tzinfo=UTC)


def test_a_time_by_the_reference_clock_stays_as_it_is_with_its_own_precision() -> None:
    time = correct(event("e-1", "remark", "10:00:00", precision_seconds=60), NO_HISTORY)
    assert (time.corrected_at, time.offset_seconds, time.uncertainty_seconds) == (moment("10:00:00"), 0, 60)
    assert time.findings == ()


def test_an_unknown_offset_is_not_an_offset_of_zero() -> None:
    time = correct(event("e-1", "remark", "10:00:00", clock="D-3"), NO_HISTORY)
    assert time.corrected_at is None
    assert time.offset_seconds is None
    assert time.uncertainty_seconds is None
    assert time.findings == ("clock_offset_unknown",)
    assert time.order_at == moment("10:00:00")


def test_a_slow_device_has_a_negative_offset_and_its_times_move_forward() -> None:
    time = correct(
        event("e-1", "remark", "09:59:00", clock="D-3"), ClockHistory([reading("D-3", "09:59:00", "10:00:00")])
    )
    assert time.offset_seconds == -60
    assert time.corrected_at == moment("10:00:00")


def test_the_uncertainty_adds_the_precision_of_the_event_and_of_the_comparison() -> None:
    stamped = event("e-1", "remark", "10:02:42", clock="D-3", precision_seconds=60)
    assert correct(stamped, ClockHistory([reading("D-3", "10:02:42", "10:00:00")])).uncertainty_seconds == 61
    rough = reading("D-3", "10:02:42", "10:00:00", precision_seconds=60)
    assert correct(stamped, ClockHistory([rough])).uncertainty_seconds == 120


def test_outside_the_readings_the_nearest_one_holds_and_the_drift_is_allowed_for() -> None:
    readings = [reading("D-3", "08:00:10", "08:00:00"), reading("D-3", "09:00:11", "09:00:00")]
    before = correct(event("e-1", "remark", "07:00:10", clock="D-3"), ClockHistory(readings))
    after = correct(event("e-2", "remark", "10:00:11", clock="D-3"), ClockHistory(readings))
    assert (before.offset_seconds, after.offset_seconds) == (10, 11)
    assert before.findings == after.findings == ("clock_offset_extrapolated",)
    assert before.uncertainty_seconds == after.uncertainty_seconds == 2 + 3600 * USUAL_DRIFT


def test_a_stamp_that_equals_a_reading_has_exactly_its_offset() -> None:
    readings = [
        reading("D-3", "08:00:10", "08:00:00"),
        reading("D-3", "09:00:11", "09:00:00"),
        reading("D-3", "10:00:12", "10:00:00"),
    ]
    time = correct(event("e-1", "remark", "09:00:11", clock="D-3"), ClockHistory(readings))
    assert (time.offset_seconds, time.uncertainty_seconds, time.findings) == (11, 2, ())


def test_a_clock_that_was_set_between_two_readings_is_not_interpolated() -> None:
    readings = [reading("D-3", "10:10:00", "10:00:00"), reading("D-3", "11:00:00", "11:00:00")]
    time = correct(event("e-1", "remark", "10:20:00", clock="D-3"), ClockHistory(readings))
    assert time.offset_seconds == 600
    assert time.findings == ("clock_was_set",)
    assert time.uncertainty_seconds == 602


def test_after_a_clock_was_set_back_its_newest_reading_holds_and_not_the_one_that_shows_the_latest_time() -> None:
    readings = [reading("D-3", "10:30:00", "10:00:00"), reading("D-3", "10:25:00", "10:25:00")]
    time = correct(event("e-1", "remark", "11:00:00", clock="D-3"), ClockHistory(readings))
    assert time.offset_seconds == 0
    assert time.findings == ("clock_offset_extrapolated",)


def test_a_time_that_a_clock_showed_twice_is_said_to_be_doubtful() -> None:
    # The clock was set back by an hour between 12:00 and 12:01, and showed 11:30 both before and after.
    readings = [
        reading("D-3", "11:00:00", "11:00:00"),
        reading("D-3", "12:00:00", "12:00:00"),
        reading("D-3", "11:01:00", "12:01:00"),
        reading("D-3", "13:00:00", "14:00:00"),
    ]
    time = correct(event("e-1", "remark", "11:30:00", clock="D-3"), ClockHistory(readings))
    assert time.findings == ("clock_was_set",)
    assert time.offset_seconds == -3600
    assert time.uncertainty_seconds == 3602


def test_two_equal_readings_do_not_divide_by_zero() -> None:
    twice = [reading("D-3", "10:00:05", "10:00:00")] * 2
    assert correct(event("e-1", "remark", "10:00:05", clock="D-3"), ClockHistory(twice)).offset_seconds == 5


def test_each_event_is_corrected_by_its_own_clock() -> None:
    events = [
        event("e-1", "remark", "10:00:00"),
        event("e-2", "remark", "10:01:00", clock="D-1"),
        event("e-3", "remark", "10:01:00", clock="D-2"),
    ]
    placed = timeline(events, {"D-1": [reading("D-1", "10:02:00", "10:00:00")]})
    assert [placed.time_of(one).corrected_at for one in events] == [moment("10:00:00"), moment("09:59:00"), None]
    assert [one.id for one in placed.events] == ["e-2", "e-1", "e-3"]


def _true_clock(offset: float, drift: float) -> tuple[list[ClockReading], float]:
    """Return exact readings at the first and the last minute of a day, by a clock that drifts steadily."""
    day = 86_400.0
    readings = [
        ClockReading(
            "D-3",
            device_at=START + timedelta(seconds=elapsed + offset + drift * elapsed),
            reference_at=START + timedelta(seconds=elapsed),
            record_key=f"k-{elapsed}",
        )
        for elapsed in (0.0, day)
    ]
    return readings, day


@given(
    offset=st.floats(-90_000, 90_000),
    drift=st.floats(-1e-4, 1e-4),
    elapsed=st.floats(0, 86_400),
)
def test_between_two_readings_a_steady_clock_is_corrected_to_the_true_time(
    offset: float, drift: float, elapsed: float
) -> None:
    readings, _ = _true_clock(offset, drift)
    shown = START + timedelta(seconds=elapsed + offset + drift * elapsed)
    stamped = event_at(shown.isoformat().replace("+00:00", "Z"), clock="D-3")
    corrected_at = correct(stamped, ClockHistory(readings)).corrected_at
    assert corrected_at is not None
    assert abs(corrected_at - (START + timedelta(seconds=elapsed))) <= timedelta(microseconds=5)


@given(
    offsets=st.lists(st.floats(-5, 5), min_size=1, max_size=6),
    stamps=st.lists(st.integers(-7_200, 28_800), min_size=2, max_size=10),
)
def test_correction_by_readings_that_agree_never_swaps_two_events_of_one_clock(
    offsets: Sequence[float], stamps: Sequence[int]
) -> None:
    readings = [
        ClockReading(
            "D-3",
            device_at=START + timedelta(hours=place, seconds=offset / 10),
            reference_at=START + timedelta(hours=place),
            record_key=f"k-{place}",
        )
        for place, offset in enumerate(offsets)
    ]
    times = []
    for stamp in sorted(stamps):
        stamped = event_at(format_moment(START + timedelta(seconds=stamp)), clock="D-3")
        times.append(correct(stamped, ClockHistory(readings)).corrected_at)
    known = [time for time in times if time is not None]
    assert len(known) == len(times)
    assert known == sorted(known)
