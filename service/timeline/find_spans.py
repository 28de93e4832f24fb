"""Finds the spans of a case on the timeline: from which event to which something went on."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime

from service.records.clocks import CorrectedTime
from service.records.events import RecordedEvent
from service.records.spans import Span
from service.timeline.correct_times import order_events
from service.vocabulary.record_shapes import SpanRule

CASE = "case"
"""The word among a rule's starts by which a span begins with the case."""


def find_spans(
    rules: Mapping[str, SpanRule],
    events: Iterable[RecordedEvent],
    corrected: Mapping[str, CorrectedTime],
    case_started_at: datetime | None,
) -> list[Span]:
    """Return the spans of a case, rule by rule, those of one rule in corrected order.

    Retracted events have no part in any. A start while its span is open opens no second one: it is a member of
    the open span. An end without an open span is left aside. A kind that both ends and starts closes the open
    span and opens the next. A span that begins with the case is the only one of its rule, is there even without
    any event, and ends at the last of its end events, since a case may seem to end and go on.
    """
    ordered = order_events((event for event in events if not event.retracted), corrected)
    spans: list[Span] = []
    for name, rule in rules.items():
        taking_part = [event for event in ordered if event.kind in rule.kinds]
        if CASE in rule.starts:
            spans.append(_span_of_case(name, rule, taking_part, corrected, case_started_at))
        else:
            spans.extend(_spans_between(name, rule, taking_part, corrected))
    return spans


def _span_of_case(
    name: str,
    rule: SpanRule,
    events: Sequence[RecordedEvent],
    corrected: Mapping[str, CorrectedTime],
    case_started_at: datetime | None,
) -> Span:
    ends = [place for place, event in enumerate(events) if event.kind in rule.ends]
    if not ends:
        return Span(name, None, None, tuple(events), case_started_at, None)
    end = events[ends[-1]]
    return Span(name, None, end, tuple(events[: ends[-1]]), case_started_at, corrected[end.id].corrected_at)


def _spans_between(
    name: str, rule: SpanRule, events: Sequence[RecordedEvent], corrected: Mapping[str, CorrectedTime]
) -> list[Span]:
    spans: list[Span] = []
    start: RecordedEvent | None = None
    members: list[RecordedEvent] = []

    def close(end: RecordedEvent | None) -> None:
        nonlocal start
        if start is not None:
            ended = corrected[end.id].corrected_at if end else None
            spans.append(Span(name, start, end, tuple(members), corrected[start.id].corrected_at, ended))
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
