"""Finds the spans of a case on the timeline: from which event to which something went on."""

from __future__ import annotations

from collections.abc import Sequence

from service.records.events import RecordedEvent
from service.records.spans import CASE, Span
from service.records.timeline import Timeline
from service.vocabulary.record_shapes import SpanRule


def find_spans(name: str, rule: SpanRule, timeline: Timeline) -> list[Span]:
    """Return the spans of one rule in corrected order.

    Events that were entered in error have no part in any. A start while its span is open opens no second one: it
    is a member of the open span. An end without an open span is left aside. A kind that both ends and starts closes
    the open span and opens the next. A span that begins with the case is the only one of its rule, is there even
    without any event, and ends at the last of its end events, since a case may seem to end and go on.
    """
    taking_part = [event for event in timeline.live if event.kind in rule.kinds]
    if CASE in rule.starts:
        return [_span_of_case(name, rule, taking_part)]
    return _spans_between(name, rule, taking_part)


def _span_of_case(name: str, rule: SpanRule, events: Sequence[RecordedEvent]) -> Span:
    ends = [place for place, event in enumerate(events) if event.kind in rule.ends]
    if not ends:
        return Span(name, None, None, tuple(events))
    return Span(name, None, events[ends[-1]], tuple(events[: ends[-1]]))


def _spans_between(name: str, rule: SpanRule, events: Sequence[RecordedEvent]) -> list[Span]:
    spans: list[Span] = []
    start: RecordedEvent | None = None
    members: list[RecordedEvent] = []

    def close(end: RecordedEvent | None) -> None:
        nonlocal start
        if start is not None:
            spans.append(Span(name, start, end, tuple(members)))
        start = None
        members.clear()

    for event in events:
        if event.kind in rule.ends:
            close(event)
        if start is not None:
            members.append(event)
        elif event.kind in rule.starts:
            start = event
    close(None)
    return spans
