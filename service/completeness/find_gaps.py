"""Applies the completeness rules to one case: the state of every element, and the gaps among them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from typing import Any

from service.completeness.case_facts import gather_facts
from service.completeness.load_rules import CompletenessRule, CompletenessRules
from service.records.assessment import Assessment, State
from service.records.events import RecordedEvent
from service.records.timeline import Timeline


def assess(rules: CompletenessRules, case: Mapping[str, Any], timeline: Timeline) -> list[Assessment]:
    """Return the state of every element that a rule speaks of, in the order of the rules and then of time.

    A rule about a field of an event gives one assessment for each event of the kind, and one that is
    not-applicable (without event) where there is none. Events entered in error count as absent. `case` and the
    contents of the events may leave out nulls or carry them.

    `stated_unknown` of an event names fields of its own, or elements as rules write them (`case.location`,
    `team_activated`): what was asked for and is not known is stated-unknown, no longer missing.

    Order is judged on corrected times alone, however rough: a negative interval is a conflict to be looked at,
    never clamped. Where the offset of a clock is unknown there is no corrected time, and no conflict is claimed.

    Source: named with each rule in mappings/completeness.yaml; the states are decided here.
    """
    view = _CaseView(gather_facts(case, timeline, rules.shockable), case, timeline)
    return [one for rule in rules.rules for one in _assessments(rule, view)]


class _CaseView:
    """What the rules look at; what several of them ask for is gathered once."""

    def __init__(self, facts: Mapping[str, Any], case: Mapping[str, Any], timeline: Timeline) -> None:
        self.facts = facts
        self.case = case
        self.timeline = timeline
        self._stated_unknown = {name for event in timeline.live for name in _stated_unknown(event.content)}
        self._records: dict[str, dict[str, Any]] = {}
        self._moments: dict[str, tuple[datetime, datetime] | None] = {}

    def is_stated_unknown(self, element: str) -> bool:
        """Return whether an event says that an element of the case is not known."""
        return element in self._stated_unknown

    def record_of(self, event: RecordedEvent) -> dict[str, Any]:
        """Return what the conditions look at for one event."""
        record = self._records.get(event.id)
        if record is None:
            own = {f"event.{name}": value for name, value in event.content.items() if value is not None}
            record = self._records[event.id] = {**self.facts, **own}
        return record

    def first_and_last(self, kind: str) -> tuple[datetime, datetime] | None:
        """Return when the first and the last event of a kind happened; None where no such time is known."""
        if kind not in self._moments:
            times = (self.timeline.time_of(event).corrected_at for event in self.timeline.of_kind(kind))
            moments = [moment for moment in times if moment is not None]
            self._moments[kind] = (min(moments), max(moments)) if moments else None
        return self._moments[kind]


def _stated_unknown(content: Mapping[str, Any]) -> Sequence[str]:
    return content.get("stated_unknown") or ()


def _assessments(rule: CompletenessRule, view: _CaseView) -> Iterator[Assessment]:
    if rule.kind is None or rule.field is None:
        yield _assessment(rule, None, _state_in_case(rule, view))
        return
    events = view.timeline.of_kind(rule.kind)
    for event in events:
        yield _assessment(rule, event.id, _state_in_event(rule, rule.field, event, view))
    if not events:
        yield _assessment(rule, None, "not-applicable")


def _assessment(rule: CompletenessRule, event_id: str | None, state: State) -> Assessment:
    return Assessment(rule.element, event_id, rule.importance, state, rule.name, rule.ask)


def _state_in_case(rule: CompletenessRule, view: _CaseView) -> State:
    """Return the state of a field of the case or of a whole event."""
    if rule.when is not None and not rule.when(view.facts):
        return "not-applicable"
    if rule.kind is not None:
        counts = rule.recorded_when
        recorded = any(
            counts is None or counts(view.record_of(event)) for event in view.timeline.of_kind(rule.kind)
        )
    elif rule.recorded_when is not None:
        recorded = rule.recorded_when(view.facts)
    else:
        recorded = rule.element in view.facts
    if recorded:
        return "recorded"
    said_in_case = rule.kind is None and rule.field in _stated_unknown(view.case)
    return "stated-unknown" if said_in_case or view.is_stated_unknown(rule.element) else "missing"


def _state_in_event(rule: CompletenessRule, field: str, event: RecordedEvent, view: _CaseView) -> State:
    record = view.record_of(event)
    if rule.when is not None and not rule.when(record):
        return "not-applicable"
    if rule.not_before is not None or rule.not_after is not None:
        return _state_of_order(rule, event, view)
    if rule.conflict_when is not None and rule.conflict_when(record):
        return "conflict"
    is_recorded = f"event.{field}" in record if rule.recorded_when is None else rule.recorded_when(record)
    if is_recorded:
        return "recorded"
    return "stated-unknown" if field in _stated_unknown(event.content) else "missing"


def _state_of_order(rule: CompletenessRule, event: RecordedEvent, view: _CaseView) -> State:
    """Return conflict where the event is before the first, or after the last, of the kind it may not pass."""
    moment = view.timeline.time_of(event).corrected_at
    earliest = view.first_and_last(rule.not_before) if rule.not_before else None
    latest = view.first_and_last(rule.not_after) if rule.not_after else None
    if moment is None or (earliest is None and latest is None):
        return "not-applicable"
    is_early = earliest is not None and moment < earliest[0]
    is_late = latest is not None and moment > latest[1]
    return "conflict" if is_early or is_late else "recorded"
