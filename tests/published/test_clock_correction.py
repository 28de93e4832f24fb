"""Clock correction against numbers that others published, and against the vectors of our domain sheet.

Sources, each beside its test: RFC 5905, section 8 (offset and delay of the network time protocol); Cordell et
al., Does anybody really know what time it is?, Ann Emerg Med, 1994 (spread of hospital clocks). The offset and
drift vectors are our own, worked by hand from "offset = device - reference" (no publication).
"""

from __future__ import annotations

from datetime import timedelta

import pytest

from service.records.clocks import ClockReading
from service.timeline.build_timeline import build_timeline
from service.timeline.correct_times import ClockHistory, correct
from tests.support.made_events import event, event_at, moment, reading, timeline


def test_a_device_that_shows_10_07_42_at_10_05_00_is_162_seconds_fast() -> None:
    assert reading("D-3", "10:07:42", "10:05:00").offset_seconds == 162


def test_the_stamp_10_04_47_of_that_device_becomes_10_02_05() -> None:
    stamped = event("e-1", "shock_delivered", "10:04:47", clock="D-3")
    time = correct(stamped, ClockHistory([reading("D-3", "10:07:42", "10:05:00")]))
    assert time.corrected_at == moment("10:02:05")
    assert time.offset_seconds == 162
    assert time.at == stamped.at


def test_a_drift_from_162_to_165_seconds_in_twelve_hours_is_163_and_a_half_in_the_middle() -> None:
    readings = [reading("D-3", "10:07:42", "10:05:00"), reading("D-3", "22:07:45", "22:05:00")]
    # What the device shows at 16:05:00 on the reference clock, where its offset is 163.5 s.
    time = correct(event("e-1", "remark", "16:07:43.500", clock="D-3"), ClockHistory(readings))
    assert time.offset_seconds == 163.5
    assert time.corrected_at == moment("16:05:00")
    assert time.findings == ()


@pytest.mark.parametrize("hours", [1, 3, 6, 9, 11])
def test_a_line_over_device_time_and_a_line_over_reference_time_are_the_same_line(hours: int) -> None:
    first, last = reading("D-3", "10:07:42", "10:05:00"), reading("D-3", "22:07:45", "22:05:00")
    share = hours * 3600 / (last.reference_at - first.reference_at).total_seconds()
    offset = first.offset_seconds + (last.offset_seconds - first.offset_seconds) * share
    reference_at = first.reference_at + timedelta(hours=hours)
    shown = (reference_at + timedelta(seconds=offset)).isoformat().replace("+00:00", "Z")
    time = correct(event_at(shown, clock="D-3"), ClockHistory([first, last]))
    assert time.corrected_at is not None
    assert abs(time.corrected_at - reference_at) <= timedelta(microseconds=1)


def test_synchronised_clocks_with_50_milliseconds_each_way_have_no_offset_by_the_network_formula() -> None:
    # RFC 5905, section 8: theta = ((T2 - T1) + (T3 - T4)) / 2, T1 and T4 on the one clock, T2 and T3 on the other.
    # A reading of ours at the middle of the exchange, on both clocks, must say the same as theta.
    sent, received, answered, arrived = 0.0, 0.050, 0.060, 0.110
    theta = ((received - sent) + (answered - arrived)) / 2
    start = moment("10:00:00")
    ours = ClockReading(
        "D-3",
        device_at=start + timedelta(seconds=(received + answered) / 2),
        reference_at=start + timedelta(seconds=(sent + arrived) / 2),
        record_key="k-1",
    )
    assert theta == pytest.approx(0)
    assert ours.offset_seconds == pytest.approx(theta)


def test_the_two_timepieces_that_were_19_min_41_s_apart_agree_once_each_is_corrected() -> None:
    # Cordell et al. 1994, abstract: errors from -12:34 to +7:07; two could differ by 19:41.
    slow, fast = reading("slow", "09:47:26", "10:00:00"), reading("fast", "10:07:07", "10:00:00")
    assert fast.offset_seconds - slow.offset_seconds == 19 * 60 + 41
    events = [
        event("e-1", "remark", "10:17:07", clock="fast"),
        event("e-2", "remark", "09:57:26", clock="slow"),
    ]
    entries = build_timeline(timeline(events, {"slow": [slow], "fast": [fast]}))
    assert [entry.corrected_at for entry in entries] == ["2031-03-02T10:10:00+01:00"] * 2
