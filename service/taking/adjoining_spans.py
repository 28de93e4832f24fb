"""Finds the spans that a change of events adjoins, without a look at the rest of a long case."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, field

from service.reading.find_case import OpenCase
from service.records.events import RecordedEvent
from service.records.instants import stamp
from service.records.record_keys import span_key
from service.records.spans import CASE, Span
from service.records.timeline import Timeline
from service.storage.events import EARLIEST, LATEST, events_between, nearest_moment
from service.timeline.find_spans import find_spans
from service.vocabulary.record_shapes import SpanRule


@dataclass(frozen=True, slots=True)
class Change:
    """An event as it is now, and the moment (`stamp`) by which it was put in order before; None for a new one."""

    event: RecordedEvent
    order_before: str | None = None


@dataclass(slots=True)
class Adjoining:
    """What a change of events adjoins.

    `spans` are those in which the events have a part, `changed_spans` those that may have changed, `others` the
    other events whose spans may have changed, and `gone` the keys of spans that may be there no more.
    `timeline` holds all of these events.
    """

    timeline: Timeline
    spans: list[Span] = field(default_factory=list)
    changed_spans: list[Span] = field(default_factory=list)
    others: dict[str, RecordedEvent] = field(default_factory=dict)
    gone: set[str] = field(default_factory=set)


def find_adjoining(case: OpenCase, changes: Sequence[Change], more: Sequence[RecordedEvent] = ()) -> Adjoining:
    """Return the spans and events that the changes adjoin; what is kept of the changed events is out of date.

    `more` are events that are to be on the timeline too.
    """
    given = [*(change.event for change in changes), *more]
    timeline = case.place(given)
    windows = list(_windows(case, changes, timeline))
    known = {event.id for event in given}
    around = {event.id: event for window in windows for event in window.events if event.id not in known}
    if around:
        timeline = case.place([*around.values(), *given])
        for other in [event for window in windows for event in window.others]:
            # An end of several spans at once must be made with all of them, also those that do not change.
            seen = {window.name for window in windows if any(event.id == other.id for event in window.events)}
            windows += _windows(case, [Change(other)], timeline, but=seen, is_fixed=True)
        around = {event.id: event for window in windows for event in window.events if event.id not in known}
        timeline = case.place([*around.values(), *given])
    found = Adjoining(timeline)
    for window in windows:
        window.add_to(found)
    return found


def _windows(
    case: OpenCase,
    changes: Sequence[Change],
    timeline: Timeline,
    *,
    but: Collection[str] = (),
    is_fixed: bool = False,
) -> Iterator[_Window]:
    """Yield a window for each rule in which a changed event has a part; `is_fixed` where no span can change."""
    for name, shape in case.stages.vocabulary.spans.items():
        rule = shape.span
        if name in but or (is_fixed and CASE in rule.starts):
            continue
        concerned = [change for change in changes if change.event.kind in rule.kinds]
        if concerned:
            yield _Window(_Asked(case, rule), name, concerned, timeline, is_fixed=is_fixed)


@dataclass(frozen=True, slots=True)
class _Asked:
    """Asks the store for kept events of a case that have a part in spans of one rule."""

    case: OpenCase
    rule: SpanRule

    def between(self, *moments: str, kinds: Collection[str] | None = None) -> list[RecordedEvent]:
        """Return the events from one moment to another, both included, or from the first or to the last."""
        return events_between(
            self.case.tx, self.case.case_id, frozenset(kinds or self.rule.kinds) - {CASE}, *moments
        )

    def until_next_end(self, moment: str) -> list[RecordedEvent]:
        """Return the events from a moment up to the next end of a span, those of the same time included."""
        end = self._nearest(self.rule.ends, after=moment, is_last=False)
        return self.between(moment, *([end] if end else []))

    def open_before(self, moment: str) -> RecordedEvent | None:
        """Return the event that started the span which is open just before a moment; None where none is open."""
        end = self._nearest(self.rule.ends, before=moment, is_last=True)
        if end is not None:
            same_time = self._in_order(self.between(end, end))
            last = max((place for place, event in enumerate(same_time) if event.kind in self.rule.ends), default=0)
            # A kind may both end one span and start the next.
            for event in same_time[last:]:
                if event.kind in self.rule.starts:
                    return event
        start = self._nearest(self.rule.starts, after=end or EARLIEST, before=moment, is_last=False)
        if start is None:
            return None
        return self._in_order(self.between(start, start, kinds=self.rule.starts))[0]

    def _nearest(
        self, kinds: frozenset[str], *, after: str = EARLIEST, before: str = LATEST, is_last: bool
    ) -> str | None:
        case = self.case
        return nearest_moment(case.tx, case.case_id, kinds, after=after, before=before, is_last=is_last)

    def _in_order(self, events: Sequence[RecordedEvent]) -> Sequence[RecordedEvent]:
        return self.case.place(events).events if len(events) > 1 else events


class _Window:
    """The part of a case's timeline in which one rule's spans may have changed.

    `events` are all in it that have a part, `others` those among them that were not changed themselves.
    """

    def __init__(
        self, asked: _Asked, name: str, changes: Sequence[Change], timeline: Timeline, *, is_fixed: bool
    ) -> None:
        self.name = name
        self._case_id, self._rule, self._changes = asked.case.case_id, asked.rule, changes
        self._is_of_case = CASE in asked.rule.starts
        bounds = asked.rule.starts | asked.rule.ends
        self._bounds_change = not is_fixed and any(change.event.kind in bounds for change in changes)
        live = [change.event for change in changes if not change.event.retracted]
        moments = [stamp(timeline.time_of(event).order_at) for event in live]
        moments += [change.order_before for change in changes if change.order_before is not None]
        inside: list[RecordedEvent] = []
        opened: RecordedEvent | None = None
        if self._is_of_case:
            inside = asked.between()
        else:
            opened = asked.open_before(min(moments))
            inside = asked.between(min(moments), max(moments))
            if self._bounds_change:
                inside += asked.until_next_end(max(moments))
        changed = {change.event.id for change in changes}
        unchanged = {event.id: event for event in inside if event.id not in changed}
        self.others = list(unchanged.values()) if self._bounds_change and not self._is_of_case else []
        self.events = [*([opened] if opened else []), *unchanged.values(), *live]

    def add_to(self, found: Adjoining) -> None:
        """Add what the window holds; the timeline of `found` holds all of its events."""
        ids = {event.id for event in self.events}
        own = Timeline([event for event in found.timeline.events if event.id in ids], found.timeline.times)
        spans = find_spans(self.name, self._rule, own)
        found.spans += spans
        if not self._bounds_change:
            return
        found.changed_spans += spans
        found.others |= {event.id: event for event in self.others}
        starts = {span.start for span in spans}
        before = [event.id for event in self.others]
        before += [change.event.id for change in self._changes if change.order_before is not None]
        if not self._is_of_case:
            found.gone |= {span_key(self._case_id, self.name, one) for one in before if one not in starts}
