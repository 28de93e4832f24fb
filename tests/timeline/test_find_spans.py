"""From which event to which something went on in a case."""

from __future__ import annotations

from collections.abc import Mapping

from hypothesis import given
from hypothesis import strategies as st

from service.records.clocks import ClockReading
from service.records.events import RecordedEvent
from service.records.spans import Span
from service.timeline.find_spans import find_spans
from service.vocabulary.record_shapes import SpanRule
from tests.support.made_events import event, reading, timeline

COMPRESSIONS = SpanRule(
    starts=frozenset({"compressions_started"}),
    ends=frozenset({"compressions_paused", "circulation_returned", "efforts_ended"}),
    members=frozenset({"compressor_changed"}),
    anchor="compressions",
)
RESUSCITATION = SpanRule(
    starts=frozenset({"case"}),
    ends=frozenset({"circulation_returned", "efforts_ended"}),
    members=frozenset({"shock_delivered"}),
    anchor="resuscitation",
)


def _spans(
    rule: SpanRule,
    *events: RecordedEvent,
    readings: Mapping[str, list[ClockReading]] | None = None,
) -> list[Span]:
    return find_spans("made_up", rule, timeline(events, readings))


def _ids(span: Span) -> tuple[str | None, str | None, list[str]]:
    start = span.start_event.id if span.start_event else None
    end = span.end_event.id if span.end_event else None
    return start, end, [member.id for member in span.members]


def test_a_span_runs_from_its_start_to_the_next_end_with_what_lies_between() -> None:
    [first, second] = _spans(
        COMPRESSIONS,
        event("e-1", "compressions_started", "10:00:35"),
        event("e-2", "compressor_changed", "10:01:00"),
        event("e-3", "compressions_paused", "10:01:48"),
        event("e-4", "compressor_changed", "10:01:50"),
        event("e-5", "compressions_started", "10:02:09"),
        event("e-6", "circulation_returned", "10:08:35"),
    )
    assert _ids(first) == ("e-1", "e-3", ["e-2"])
    assert _ids(second) == ("e-5", "e-6", [])
    assert [one.id for one in first.events] == ["e-1", "e-2", "e-3"]


def test_a_start_within_an_open_span_is_a_member_of_it() -> None:
    [span] = _spans(
        COMPRESSIONS,
        event("e-1", "compressions_started", "10:00:35"),
        event("e-2", "compressions_started", "10:01:00"),
        event("e-3", "compressions_paused", "10:01:48"),
    )
    assert _ids(span) == ("e-1", "e-3", ["e-2"])


def test_an_end_without_an_open_span_is_left_aside() -> None:
    assert _spans(COMPRESSIONS, event("e-1", "compressions_paused", "10:01:48")) == []


def test_a_span_that_goes_on_has_no_end() -> None:
    [span] = _spans(COMPRESSIONS, event("e-1", "compressions_started", "10:00:35"))
    assert span.end_event is None


def test_a_retracted_event_neither_starts_nor_ends_nor_belongs() -> None:
    [span] = _spans(
        COMPRESSIONS,
        event("e-0", "compressions_started", "10:00:00", retracted=True),
        event("e-1", "compressions_started", "10:00:35"),
        event("e-2", "compressor_changed", "10:01:00", retracted=True),
        event("e-3", "compressions_paused", "10:01:48", retracted=True),
    )
    assert _ids(span) == ("e-1", None, [])


def test_a_kind_that_both_ends_and_starts_closes_one_span_and_opens_the_next() -> None:
    rule = SpanRule(frozenset({"started", "changed"}), frozenset({"changed", "stopped"}), frozenset(), "pacing")
    spans = _spans(
        rule,
        event("e-1", "started", "10:00:00"),
        event("e-2", "changed", "10:01:00"),
        event("e-3", "stopped", "10:02:00"),
    )
    assert [_ids(span) for span in spans] == [("e-1", "e-2", []), ("e-2", "e-3", [])]


def test_spans_follow_corrected_time() -> None:
    [span] = _spans(
        COMPRESSIONS,
        event("e-1", "compressions_started", "10:00:35"),
        event("e-2", "compressions_paused", "10:00:30", clock="D-3"),
        readings={"D-3": [reading("D-3", "09:59:00", "10:00:00")]},
    )
    assert _ids(span) == ("e-1", "e-2", [])


def test_a_span_of_the_case_begins_with_it_and_ends_at_the_last_end() -> None:
    [span] = _spans(
        RESUSCITATION,
        event("e-1", "shock_delivered", "10:02:05"),
        event("e-2", "circulation_returned", "10:08:35"),
        event("e-3", "shock_delivered", "10:20:00"),
        event("e-4", "efforts_ended", "10:26:00"),
        event("e-5", "shock_delivered", "10:27:00"),
    )
    assert _ids(span) == (None, "e-4", ["e-1", "e-2", "e-3"])
    assert [one.id for one in span.events] == ["e-1", "e-2", "e-3", "e-4"]


def test_a_case_has_its_span_before_anything_happened() -> None:
    assert _spans(RESUSCITATION) == [Span("made_up", None, None, ())]


@given(st.lists(st.sampled_from(sorted(COMPRESSIONS.kinds)), max_size=20))
def test_spans_never_overlap_and_only_the_last_may_be_open(kinds: list[str]) -> None:
    events = [event(f"e-{place:02}", kind, f"10:00:{place:02}") for place, kind in enumerate(kinds)]
    spans = _spans(COMPRESSIONS, *events)
    placed = [one.id for span in spans for one in span.events]
    assert placed == sorted(set(placed))
    assert all(span.end_event is not None for span in spans[:-1])
    starts = {one.id for one in events if one.kind == "compressions_started"}
    assert starts <= set(placed)
