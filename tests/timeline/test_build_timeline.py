"""All events of a case stand in the order in which they happened, and what is odd about them is said."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from service.records.clocks import ClockReading
from service.records.events import RecordedEvent
from service.records.instants import parse_instant
from service.timeline.build_timeline import TimelineEntry, build_timeline
from service.timeline.timeline_findings import TimelineFinding
from tests.support.made_events import event, event_at, moment, reading, timeline


def _ids(entries: Sequence[TimelineEntry]) -> list[str]:
    return [entry.event_id for entry in entries]


def test_entries_stand_by_corrected_time_and_not_by_what_the_device_showed() -> None:
    events = [
        event("e-2", "shock_delivered", "10:04:47", clock="D-3"),
        event("e-1", "arrest_recognised", "10:00:00"),
        event("e-3", "compressions_started", "10:02:09"),
    ]
    entries = build_timeline(timeline(events, {"D-3": [reading("D-3", "10:07:42", "10:05:00")]}))
    assert _ids(entries) == ["e-1", "e-2", "e-3"]
    assert entries[1].at == "2031-03-02T10:04:47+01:00"
    assert entries[1].corrected_at == "2031-03-02T10:02:05+01:00"


def test_a_corrected_time_keeps_the_offset_in_which_the_time_was_sent() -> None:
    sent = event_at("2031-03-02T04:02:42-05:00", clock="D-3")
    [entry] = build_timeline(timeline([sent], {"D-3": [reading("D-3", "10:02:42", "10:00:00")]}))
    assert entry.corrected_at == "2031-03-02T04:00:00-05:00"


def test_a_time_by_the_reference_clock_is_shown_as_it_was_sent() -> None:
    sent = event_at("2031-03-02T10:00:00.123456789+01:00")
    [entry] = build_timeline(timeline([sent]))
    assert entry.corrected_at == entry.at == "2031-03-02T10:00:00.123456789+01:00"


def test_an_event_of_a_clock_that_was_never_compared_stands_at_its_raw_time() -> None:
    events = [event("e-1", "remark", "10:02:00"), event("e-2", "remark", "10:01:00", clock="D-9")]
    entries = build_timeline(timeline(events))
    assert _ids(entries) == ["e-2", "e-1"]
    assert entries[0].corrected_at is None
    assert entries[0].uncertainty_seconds is None
    assert entries[0].findings == ("clock_offset_unknown",)


def test_events_at_one_moment_stand_by_id() -> None:
    events = [event(name, "remark", "10:00:00") for name in ("e-3", "e-1", "e-2")]
    assert _ids(build_timeline(timeline(events))) == ["e-1", "e-2", "e-3"]


def test_a_retracted_event_stays_on_the_timeline_and_says_so() -> None:
    [entry] = build_timeline(timeline([event("e-1", "remark", "10:00:00", retracted=True, version=3)]))
    assert (entry.state, entry.version) == ("entered_in_error", 3)


def test_an_event_before_the_case_is_pointed_out_only_beyond_its_uncertainty() -> None:
    events = [
        event("e-1", "remark", "09:58:00"),
        event("e-2", "remark", "09:59:30", precision_seconds=60),
        event("e-3", "remark", "10:00:00"),
        event("e-4", "remark", "09:00:00", retracted=True),
    ]
    entries = build_timeline(timeline(events, started_at=moment("10:00:00")))
    assert {entry.event_id: entry.findings for entry in entries} == {
        "e-1": ("before_case_start",),
        "e-2": (),
        "e-3": (),
        "e-4": (),
    }


def _doubtful(*shocks: RecordedEvent) -> list[str]:
    entries = build_timeline(timeline(shocks, {"D-3": [reading("D-3", "10:02:42", "10:00:00")]}))
    return [entry.event_id for entry in entries if "possible_duplicate" in entry.findings]


def test_one_shock_from_a_person_and_from_the_device_is_proposed_as_a_possible_duplicate() -> None:
    by_person = event("e-1", "shock_delivered", "10:02:00", precision_seconds=60, energy_selected_joules=200)
    by_device = event("e-2", "shock_delivered", "10:05:27", clock="D-3", device="D-3", source="device")
    assert _doubtful(by_person, by_device) == ["e-1", "e-2"]


def test_shocks_of_different_energy_are_no_duplicates() -> None:
    one = event("e-1", "shock_delivered", "10:02:00", energy_selected_joules=200)
    other = event("e-2", "shock_delivered", "10:02:03", energy_selected_joules=300)
    assert _doubtful(one, other) == []


def test_shocks_that_one_device_numbered_differently_are_no_duplicates() -> None:
    one = event("e-1", "shock_delivered", "10:02:00", device="D-3", shock_number=1)
    other = event("e-2", "shock_delivered", "10:02:04", device="D-3", shock_number=2)
    assert _doubtful(one, other) == []
    elsewhere = event("e-2", "shock_delivered", "10:02:04", device="D-4", shock_number=2)
    assert _doubtful(one, elsewhere) == ["e-1", "e-2"]


def test_two_shocks_of_one_recorder_two_minutes_apart_are_two_even_by_the_minute() -> None:
    one = event("e-1", "shock_delivered", "10:02:00", precision_seconds=60)
    other = event("e-2", "shock_delivered", "10:04:00", precision_seconds=60)
    assert _doubtful(one, other) == []


def test_a_retracted_shock_is_nobodys_duplicate() -> None:
    one = event("e-1", "shock_delivered", "10:02:00")
    other = event("e-2", "shock_delivered", "10:02:00", retracted=True)
    assert _doubtful(one, other) == []


def test_shocks_whose_time_is_not_known_are_not_compared() -> None:
    one = event("e-1", "shock_delivered", "10:02:00", clock="D-9")
    other = event("e-2", "shock_delivered", "10:02:00")
    assert _doubtful(one, other) == []


def test_every_finding_has_one_sentence() -> None:
    for finding in TimelineFinding:
        assert finding.says.endswith(".")
        assert finding == finding.value.lower()


@given(st.lists(st.tuples(st.integers(0, 59), st.sampled_from([None, "D-1", "D-9"]), st.booleans()), max_size=12))
def test_every_event_has_one_entry_and_all_known_times_are_in_order(
    made: list[tuple[int, str | None, bool]],
) -> None:
    events = [
        event(f"e-{place}", "remark", f"10:00:{second:02}", retracted=retracted, **_clock(clock))
        for place, (second, clock, retracted) in enumerate(made)
    ]
    readings: dict[str, list[ClockReading]] = {"D-1": [reading("D-1", "10:00:20", "10:00:00")]}
    entries = build_timeline(timeline(events, readings))
    assert sorted(_ids(entries)) == sorted(one.id for one in events)
    shown = [parse_instant(entry.corrected_at or entry.at) for entry in entries]
    assert shown == sorted(shown)
    assert build_timeline(timeline(reversed(events), readings)) == entries


def _clock(clock: str | None) -> dict[str, Any]:
    return {} if clock is None else {"clock": clock}
