"""Applies the completeness rules to one case: the state of every element, and the gaps among them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from service.completeness.case_facts import gather_facts
from service.completeness.load_rules import CompletenessRule, CompletenessRules
from service.records.assessment import GAP_STATES, Assessment, State
from service.records.clocks import CorrectedTime
from service.records.events import RecordedEvent


def find_gaps(
    rules: CompletenessRules,
    case: Mapping[str, Any],
    events: Sequence[RecordedEvent],
    corrected: Mapping[str, CorrectedTime],
) -> list[Assessment]:
    """Return the assessments of `assess` whose state is missing, conflict or stated-unknown, in its order."""
    return [one for one in assess(rules, case, events, corrected) if one.state in GAP_STATES]


def assess(
    rules: CompletenessRules,
    case: Mapping[str, Any],
    events: Sequence[RecordedEvent],
    corrected: Mapping[str, CorrectedTime],
) -> list[Assessment]:
    """Return the state of every element that a rule speaks of, in the order of the rules and then of time.

    A rule about a field of an event gives one assessment for each event of the kind, and one that is
    not-applicable (without event) where there is none. Retracted events count as absent. `corrected` holds the
    time of every event. `case` and the contents of the events may leave out nulls or carry them.

    `stated_unknown` of an event names fields of its own, or elements as rules write them (`case.location`,
    `team_activated`): what was asked for and is not known is stated-unknown, no longer missing.

    Order is judged on corrected times alone, however rough: a negative interval is a conflict to be looked at,
    never clamped. Where the offset of a clock is unknown there is no corrected time, and no conflict is claimed.

    Source: stands beside each rule in mappings/completeness.yaml; the states are decided here.
    """
    live = sorted(
        (event for event in events if not event.retracted),
        key=lambda event: (corrected[event.id].order_at, event.id),
    )
    view = _CaseView(gather_facts(case, live, rules.shockable), case, live, corrected)
    return [one for rule in rules.rules for one in _assessments(rule, view)]


@dataclass(frozen=True, slots=True)
class _CaseView:
    facts: Mapping[str, Any]
    case: Mapping[str, Any]
    live: Sequence[RecordedEvent]
    corrected: Mapping[str, CorrectedTime]

    def of_kind(self, kind: str) -> list[RecordedEvent]:
        return [event for event in self.live if event.kind == kind]

    def is_stated_unknown(self, element: str) -> bool:
        return any(element in _stated_unknown(event.content) for event in self.live)

    def record_of(self, event: RecordedEvent) -> dict[str, Any]:
        return {
            **self.facts,
            **{f"event.{name}": value for name, value in event.content.items() if value is not None},
        }

    def moments_of(self, kind: str) -> list[datetime]:
        times = (self.corrected[event.id].corrected_at for event in self.of_kind(kind))
        return [moment for moment in times if moment is not None]


def _stated_unknown(content: Mapping[str, Any]) -> Sequence[str]:
    return content.get("stated_unknown") or ()


def _assessments(rule: CompletenessRule, view: _CaseView) -> Iterator[Assessment]:
    if rule.kind is None or rule.field is None:
        yield _assessment(rule, None, _state_in_case(rule, view))
        return
    events = view.of_kind(rule.kind)
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
        recorded = any(counts is None or counts(view.record_of(event)) for event in view.of_kind(rule.kind))
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
    """Return conflict where the event stands before the first, or after the last, of the kind it may not pass."""
    moment = view.corrected[event.id].corrected_at
    first = view.moments_of(rule.not_before) if rule.not_before else []
    last = view.moments_of(rule.not_after) if rule.not_after else []
    if moment is None or not (first or last):
        return "not-applicable"
    is_early = bool(first) and moment < min(first)
    is_late = bool(last) and moment > max(last)
    return "conflict" if is_early or is_late else "recorded"
