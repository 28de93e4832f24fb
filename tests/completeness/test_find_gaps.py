"""Every element of a case has a state, and what is missing is asked for."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.completeness.find_gaps import assess
from service.completeness.load_rules import CompletenessRules
from service.records.assessment import GAP_STATES, Assessment
from service.records.clocks import ClockReading
from service.records.events import RecordedEvent
from tests.completeness.small_mappings import write_rules
from tests.support.made_events import event, reading, timeline

RULES = """\
rules:
  - {rule: patient, element: case.patient, importance: core, ask: "Who?", source: S,
     recorded_when: {field: patient_identified, is: true}}
  - {rule: location, element: case.location, importance: core, ask: "Where?", source: S}
  - {rule: weight, element: case.weight_kilograms, importance: core, ask: "Weight?", source: S,
     when: {any: [{field: case.population, in: [child, infant]}, {field: has.weight_based_dose, is: true}]}}
  - {rule: recognition, element: arrest_recognised, importance: core, ask: "When?", source: S,
     when: {field: arrest, is: true}}
  - {rule: witnessed, element: arrest_recognised.witnessed, importance: core, ask: "Seen?", source: S}
  - {rule: shock, element: shock_delivered, importance: core, ask: "Shock?", source: S,
     when: {all: [{field: any_rhythm_shockable, is: true}, {absent: has.cardioversion_delivered}]}}
  - {rule: energy, element: shock_delivered.energy_selected_joules, importance: core, ask: "Energy?", source: S,
     conflict_when: {field: event.energy_selected_joules, above: 1000}}
  - {rule: shock-early, element: shock_delivered.at, importance: core, ask: "Which time?", source: S,
     not_before: arrest_recognised}
  - {rule: shock-late, element: shock_delivered.at, importance: core, ask: "Which time?", source: S,
     not_after: efforts_ended}
  - {rule: epinephrine, element: medication_given, importance: core, ask: "Epinephrine?", source: S,
     when: {field: first_rhythm_shockable, is: false}, recorded_when: {field: event.agent, is: epinephrine}}
  - {rule: circulation, element: circulation_returned, importance: core, ask: "When?", source: S,
     when: {field: circulation_sustained, is: true}}
  - {rule: death, element: efforts_ended.death_at, importance: supplemental, ask: "When?", source: S,
     when: {field: event.outcome, is: died}}
"""


@pytest.fixture(scope="module")
def rules(tmp_path_factory: pytest.TempPathFactory) -> CompletenessRules:
    return write_rules(tmp_path_factory.mktemp("mappings"), RULES)


def _states(
    rules: CompletenessRules,
    rule: str,
    *events: RecordedEvent,
    case: Mapping[str, Any] | None = None,
    readings: Mapping[str, ClockReading] | None = None,
) -> list[tuple[str | None, str]]:
    placed = timeline(events, {clock: [one] for clock, one in (readings or {}).items()})
    assessments = assess(rules, case or {}, placed)
    return [(one.event_id, one.state) for one in assessments if one.rule == rule]


def test_a_field_of_the_case_is_recorded_or_missing(rules: CompletenessRules) -> None:
    assert _states(rules, "location", case={"location": "Ward 4"}) == [(None, "recorded")]
    assert _states(rules, "location") == [(None, "missing")]
    assert _states(rules, "location", case={"location": None}) == [(None, "missing")]


def test_an_unidentified_patient_is_missing_although_the_field_has_a_value(rules: CompletenessRules) -> None:
    unidentified = {"patient": {"unidentified": True, "label": "unidentified A"}}
    identified = {"patient": {"identifier": {"system": "urn:example:p", "value": "P-100"}}}
    assert _states(rules, "patient", case=unidentified) == [(None, "missing")]
    assert _states(rules, "patient", case=identified) == [(None, "recorded")]


def test_a_weight_is_wanted_for_children_and_for_doses_by_weight_only(rules: CompletenessRules) -> None:
    assert _states(rules, "weight", case={"population": "adult"}) == [(None, "not-applicable")]
    assert _states(rules, "weight", case={"population": "child"}) == [(None, "missing")]
    assert _states(rules, "weight", case={"population": "child", "weight_kilograms": 12}) == [(None, "recorded")]
    by_flag = event("e-1", "medication_given", "10:05:05", weight_based=True)
    by_unit = event("e-1", "medication_given", "10:05:05", dose_unit="ug/kg/min")
    assert _states(rules, "weight", by_flag) == _states(rules, "weight", by_unit) == [(None, "missing")]


def test_a_field_is_wanted_of_every_event_of_its_kind(rules: CompletenessRules) -> None:
    shocks = [
        event("e-2", "shock_delivered", "10:04:16"),
        event("e-1", "shock_delivered", "10:02:05", energy_selected_joules=200),
    ]
    assert _states(rules, "energy", *shocks) == [("e-1", "recorded"), ("e-2", "missing")]
    assert _states(rules, "energy") == [(None, "not-applicable")]


def test_false_is_an_answer_and_null_is_none(rules: CompletenessRules) -> None:
    said = event("e-1", "arrest_recognised", "10:00:00", witnessed=False)
    unsaid = event("e-1", "arrest_recognised", "10:00:00", witnessed=None)
    assert _states(rules, "witnessed", said) == [("e-1", "recorded")]
    assert _states(rules, "witnessed", unsaid) == [("e-1", "missing")]


def test_what_is_stated_unknown_is_no_longer_missing(rules: CompletenessRules) -> None:
    asked = event("e-1", "arrest_recognised", "10:00:00", stated_unknown=["witnessed"])
    assert _states(rules, "witnessed", asked) == [("e-1", "stated-unknown")]


def test_an_element_of_the_case_and_a_whole_event_can_be_stated_unknown_too(rules: CompletenessRules) -> None:
    asked = event("e-1", "efforts_ended", "10:26:00", stated_unknown=["arrest_recognised", "case.location"])
    assert _states(rules, "recognition", asked) == [(None, "stated-unknown")]
    assert _states(rules, "location", asked) == [(None, "stated-unknown")]
    assert _states(rules, "location", case={"stated_unknown": ["location"]}) == [(None, "stated-unknown")]


def test_what_is_recorded_is_recorded_even_where_it_was_stated_unknown(rules: CompletenessRules) -> None:
    both = event("e-1", "arrest_recognised", "10:00:00", witnessed=True, stated_unknown=["witnessed"])
    assert _states(rules, "witnessed", both) == [("e-1", "recorded")]


def test_a_retracted_event_counts_as_absent(rules: CompletenessRules) -> None:
    recognised = event("e-1", "arrest_recognised", "10:00:00", retracted=True)
    assert _states(rules, "recognition", recognised) == [(None, "missing")]
    assert _states(rules, "witnessed", recognised) == [(None, "not-applicable")]


def test_recognition_is_not_wanted_of_a_rhythm_disorder_with_a_pulse(rules: CompletenessRules) -> None:
    cardioversion = event("e-1", "cardioversion_delivered", "10:02:05")
    compressions = event("e-2", "compressions_started", "10:03:00")
    assert _states(rules, "recognition", cardioversion) == [(None, "not-applicable")]
    assert _states(rules, "recognition", event("e-1", "pacing_started", "10:02:05")) == [(None, "not-applicable")]
    assert _states(rules, "recognition", cardioversion, compressions) == [(None, "missing")]
    assert _states(rules, "recognition") == [(None, "missing")]


def _rhythm(event_id: str, time: str, rhythm: object = None, **more: Any) -> RecordedEvent:
    said: dict[str, Any] = {} if rhythm is None else {"rhythm": rhythm}
    return event(event_id, "rhythm_assessed", time, **said, **more)


def test_a_shock_is_wanted_where_a_shockable_rhythm_was_seen_at_any_time(rules: CompletenessRules) -> None:
    asystole = _rhythm("e-1", "10:01:50", "asystole")
    fibrillation = _rhythm("e-2", "10:04:00", "ventricular_fibrillation")
    cardioversion = event("e-3", "cardioversion_delivered", "10:04:30")
    shock = event("e-4", "shock_delivered", "10:04:30")
    assert _states(rules, "shock", asystole) == [(None, "not-applicable")]
    assert _states(rules, "shock", asystole, fibrillation) == [(None, "missing")]
    assert _states(rules, "shock", asystole, fibrillation, cardioversion) == [(None, "not-applicable")]
    assert _states(rules, "shock", asystole, fibrillation, shock) == [(None, "recorded")]


def test_the_first_rhythm_decides_whether_epinephrine_is_wanted(rules: CompletenessRules) -> None:
    asystole = _rhythm("e-1", "10:01:50", "asystole")
    assert _states(rules, "epinephrine", asystole) == [(None, "missing")]
    earlier = _rhythm("e-2", "10:01:00", "ventricular_fibrillation")
    assert _states(rules, "epinephrine", asystole, earlier) == [(None, "not-applicable")]
    undetermined = _rhythm("e-2", "10:01:00", "not_determined")
    assert _states(rules, "epinephrine", asystole, undetermined) == [(None, "not-applicable")]


def test_only_the_medication_that_the_rule_names_counts(rules: CompletenessRules) -> None:
    asystole = _rhythm("e-1", "10:01:50", "asystole")
    other = event("e-2", "medication_given", "10:05:00", agent="amiodarone")
    epinephrine = event("e-3", "medication_given", "10:05:05", agent="epinephrine")
    assert _states(rules, "epinephrine", asystole, other) == [(None, "missing")]
    assert _states(rules, "epinephrine", asystole, other, epinephrine) == [(None, "recorded")]


def test_whether_a_rhythm_beyond_the_list_is_shockable_the_client_says(rules: CompletenessRules) -> None:
    coded = {"text": "polymorphic"}
    assert _states(rules, "shock", _rhythm("e-1", "10:01:50", coded)) == [(None, "not-applicable")]
    assert _states(rules, "shock", _rhythm("e-1", "10:01:50", coded, shockable=True)) == [(None, "missing")]


def test_a_value_that_contradicts_itself_is_a_conflict(rules: CompletenessRules) -> None:
    shock = event("e-1", "shock_delivered", "10:02:05", energy_selected_joules=2000)
    assert _states(rules, "energy", shock) == [("e-1", "conflict")]


def test_a_shock_before_recognition_is_a_conflict_at_that_shock(rules: CompletenessRules) -> None:
    events = [
        event("e-1", "arrest_recognised", "10:00:00"),
        event("e-2", "shock_delivered", "09:59:59"),
        event("e-3", "shock_delivered", "10:00:00"),
    ]
    assert _states(rules, "shock-early", *events) == [("e-2", "conflict"), ("e-3", "recorded")]


def test_of_several_recognitions_the_first_counts_and_of_several_ends_the_last(
    rules: CompletenessRules,
) -> None:
    events = [
        event("e-1", "arrest_recognised", "10:00:00"),
        event("e-2", "arrest_recognised", "10:20:00"),
        event("e-3", "shock_delivered", "10:10:00"),
        event("e-4", "efforts_ended", "10:08:35"),
        event("e-5", "efforts_ended", "10:26:00"),
    ]
    assert _states(rules, "shock-early", *events) == [("e-3", "recorded")]
    assert _states(rules, "shock-late", *events) == [("e-3", "recorded")]
    late = event("e-6", "shock_delivered", "10:26:01")
    assert _states(rules, "shock-late", *events, late) == [("e-3", "recorded"), ("e-6", "conflict")]


def test_order_is_judged_on_corrected_times(rules: CompletenessRules) -> None:
    recognised = event("e-1", "arrest_recognised", "10:00:00")
    shock = event("e-2", "shock_delivered", "10:02:00", clock="D-3")
    fast = {"D-3": reading("D-3", "10:05:00", "10:00:00")}
    assert _states(rules, "shock-early", recognised, shock, readings=fast) == [("e-2", "conflict")]


def test_no_conflict_of_order_is_claimed_where_an_offset_is_unknown_or_the_other_event_is_absent(
    rules: CompletenessRules,
) -> None:
    recognised = event("e-1", "arrest_recognised", "10:00:00")
    shock = event("e-2", "shock_delivered", "09:00:00", clock="D-9")
    assert _states(rules, "shock-early", recognised, shock) == [("e-2", "not-applicable")]
    assert _states(rules, "shock-early", event("e-2", "shock_delivered", "09:00:00")) == [("e-2", "not-applicable")]


def test_what_an_end_implies_is_asked_for(rules: CompletenessRules) -> None:
    sustained = event("e-1", "efforts_ended", "10:26:00", outcome="circulation_sustained")
    died = event("e-1", "efforts_ended", "10:26:00", outcome="died")
    assert _states(rules, "circulation", sustained) == [(None, "missing")]
    assert _states(rules, "circulation", died) == [(None, "not-applicable")]
    assert _states(rules, "death", sustained) == [("e-1", "not-applicable")]
    assert _states(rules, "death", died) == [("e-1", "missing")]


def test_a_gap_says_which_element_how_important_which_rule_and_what_to_ask(rules: CompletenessRules) -> None:
    shock = event("e-1", "shock_delivered", "10:02:05")
    gaps = [one for one in assess(rules, {"location": "Ward 4"}, timeline([shock])) if one.state in GAP_STATES]
    assert (
        Assessment("shock_delivered.energy_selected_joules", "e-1", "core", "missing", "energy", "Energy?") in gaps
    )
    assert "location" not in {gap.rule for gap in gaps}


_KINDS = ("arrest_recognised", "shock_delivered", "rhythm_assessed", "efforts_ended", "medication_given")
_EVENTS = st.lists(st.tuples(st.sampled_from(_KINDS), st.integers(0, 59), st.booleans()), max_size=8)


@given(made=_EVENTS, turn=st.randoms(use_true_random=False))
def test_gaps_are_the_same_in_whatever_order_the_events_arrive_and_follow_the_rules(
    rules: CompletenessRules, made: list[tuple[str, int, bool]], turn: Any
) -> None:
    events = [
        event(f"e-{place}", kind, f"10:00:{second:02}", retracted=retracted)
        for place, (kind, second, retracted) in enumerate(made)
    ]
    assessments = assess(rules, {}, timeline(events))
    turn.shuffle(events)
    assert assess(rules, {}, timeline(events)) == assessments
    places = [rule.name for rule in rules.rules]
    order = [places.index(one.rule) for one in assessments]
    assert order == sorted(order)
    assert set(order) == set(range(len(places)))
    retracted = {one.id for one in events if one.retracted}
    assert not retracted & {one.event_id for one in assessments}
