"""What the shipped rules ask for, against Utstein's published elements and published audits of records.

Sources:
  [N] Nolan et al., Cardiac Arrest and Cardiopulmonary Resuscitation Outcome Reports: Update of the Utstein
      Resuscitation Registry Template for In-Hospital Cardiac Arrest, 2019. Of its table of elements only the
      hospital and patient rows were read; the process and outcome rows below are from memory.
  [K] Kaye et al., When minutes count, Resuscitation 65:285-290, 2005 (abstract read): the four intervals from
      recognition, and 4 % of negative intervals.
  [B] Bakhsh et al., The importance of documentation in cardiac arrest, Saudi Med J 39:261, 2018 (abstract read):
      the airway time missing in 154 records, 57.2 %, which cannot be 57.2 % of all 360.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from service.completeness.count_gaps import count_by_element
from service.completeness.find_gaps import assess
from service.completeness.load_rules import CompletenessRules, load_rules
from service.records.assessment import GAP_STATES, Assessment
from service.records.events import RecordedEvent
from tests.support.load_vocabulary import load_vocabulary
from tests.support.made_events import at, event, timeline

MAPPINGS = Path(__file__).parents[2] / "mappings"

CASE = {
    "patient": {"identifier": {"system": "urn:example:hospital:patients", "value": "P-100"}},
    "encounter": {"system": "urn:example:hospital:encounters", "value": "E-7"},
    "location": "Ward 4, bed 2",
    "population": "adult",
}

# A made-up case that holds every element that the tables below name, and after which nothing core is missing.
COMPLETE = (
    event("e-01", "arrest_recognised", "10:00:00", witnessed=True, monitored=False),
    event("e-02", "team_activated", "10:00:20"),
    event("e-03", "compressions_started", "10:00:35", method="manual"),
    event("e-04", "rhythm_assessed", "10:01:50", rhythm="asystole"),
    event(
        "e-05",
        "medication_given",
        "10:03:05",
        agent="epinephrine",
        dose_value=1,
        dose_unit="mg",
        route="intravenous",
    ),
    event("e-06", "rhythm_assessed", "10:03:50", rhythm="ventricular_fibrillation"),
    event("e-07", "shock_delivered", "10:04:05", energy_selected_joules=200),
    event("e-08", "airway_placed", "10:06:00", airway="endotracheal_tube"),
    event("e-09", "circulation_returned", "10:08:35"),
    event("e-10", "efforts_ended", "10:30:00", outcome="circulation_sustained"),
)

WHOLE_EVENTS = [
    # Element of the case without that event, the event that is left out, and where the element comes from.
    ("arrest_recognised", "e-01", "[K] read, as the zero of all four intervals; [N] process core, from memory"),
    ("compressions_started", "e-03", "[K] read, first interval; [N] process core, from memory"),
    ("shock_delivered", "e-07", "[K] read, second interval; [N] process core, from memory"),
    ("airway_placed", "e-08", "[K] read, third interval (intubation); [N] process core, from memory"),
    ("medication_given", "e-05", "[K] read, fourth interval (epinephrine); [N] process core, from memory"),
    ("team_activated", "e-02", "[N] process core, from memory"),
    ("circulation_returned", "e-09", "[N] outcome core, any return of circulation, from memory"),
    ("efforts_ended", "e-10", "[N] process core, reason and time of the end, from memory"),
]

FIELDS = [
    # Event of the complete case, the field that is taken out of it, and where the element comes from.
    ("e-01", "witnessed", "[N] process core, from memory"),
    ("e-01", "monitored", "[N] process core, from memory"),
    ("e-04", "rhythm", "[N] process core, first documented rhythm, from memory"),
    ("e-08", "airway", "[N] process core, airway type, from memory"),
    ("e-10", "outcome", "[N] process core, reason of the end, from memory"),
]


@pytest.fixture(scope="module")
def rules() -> CompletenessRules:
    return load_rules(load_vocabulary(MAPPINGS))


def _gaps(
    rules: CompletenessRules, events: Sequence[RecordedEvent], case: dict[str, object] | None = None
) -> list[Assessment]:
    assessments = assess(rules, CASE if case is None else case, timeline(events))
    return [one for one in assessments if one.state in GAP_STATES]


def _core(gaps: Sequence[Assessment]) -> list[tuple[str, str | None, str]]:
    return [(gap.element, gap.event_id, gap.state) for gap in gaps if gap.importance == "core"]


def test_a_case_that_holds_every_core_element_has_no_core_gap(rules: CompletenessRules) -> None:
    assert _core(_gaps(rules, COMPLETE)) == []


@pytest.mark.parametrize(("element", "left_out", "source"), WHOLE_EVENTS, ids=[row[0] for row in WHOLE_EVENTS])
def test_the_element_is_asked_for_where_its_event_is_missing(
    rules: CompletenessRules, element: str, left_out: str, source: str
) -> None:
    assert source
    events = [one for one in COMPLETE if one.id != left_out]
    assert (element, None, "missing") in _core(_gaps(rules, events))


def test_a_case_without_any_rhythm_is_asked_for_the_first_one(rules: CompletenessRules) -> None:
    # [N] process core, first documented rhythm, from memory.
    events = [one for one in COMPLETE if one.kind != "rhythm_assessed"]
    assert ("rhythm_assessed", None, "missing") in _core(_gaps(rules, events))


@pytest.mark.parametrize(("of_event", "field", "source"), FIELDS, ids=[row[1] for row in FIELDS])
def test_the_element_is_asked_for_where_its_field_is_missing(
    rules: CompletenessRules, of_event: str, field: str, source: str
) -> None:
    assert source
    events = [
        replace(one, content={name: value for name, value in one.content.items() if name != field})
        if one.id == of_event
        else one
        for one in COMPLETE
    ]
    [kind] = [one.kind for one in COMPLETE if one.id == of_event]
    assert (f"{kind}.{field}", of_event, "missing") in _core(_gaps(rules, events))


@pytest.mark.parametrize("field", ["patient", "encounter", "location", "population"])
def test_the_case_is_asked_for_what_places_and_describes_it(rules: CompletenessRules, field: str) -> None:
    # [N] process core, location, from memory; patient core 1, the age, read: the age group stands in for it.
    case = {name: value for name, value in CASE.items() if name != field}
    assert _core(_gaps(rules, COMPLETE, case)) == [(f"case.{field}", None, "missing")]


def test_every_rule_about_utstein_says_whether_it_is_checked_against_the_published_table(
    rules: CompletenessRules,
) -> None:
    for rule in rules.rules:
        if "Utstein" in rule.source:
            assert "checked against the published table" in rule.source, rule.name


@pytest.mark.parametrize(
    ("event_id", "element"),
    [
        ("e-03", "compressions_started.at"),
        ("e-05", "medication_given.at"),
        ("e-07", "shock_delivered.at"),
        ("e-09", "circulation_returned.at"),
    ],
)
def test_a_negative_interval_is_a_conflict(rules: CompletenessRules, event_id: str, element: str) -> None:
    # [K] read: 4 % of the recorded intervals were negative.
    moved = [
        replace(one, content={**one.content, "at": at("09:59:00")}) if one.id == event_id else one
        for one in COMPLETE
    ]
    assert (element, event_id, "conflict") in _core(_gaps(rules, moved))


def test_the_rate_of_missing_airways_is_taken_over_the_applicable_cases_alone(rules: CompletenessRules) -> None:
    # [B] read: 154 missing are 57.2 %; 269 applicable cases of 360 are implied, not printed.
    without_airway = [one for one in COMPLETE if one.kind != "airway_placed"]
    with_pulse = [event("e-1", "cardioversion_delivered", "10:02:05")]
    cases = [without_airway] * 154 + [list(COMPLETE)] * (269 - 154) + [with_pulse] * (360 - 269)
    counts = count_by_element(assess(rules, CASE, timeline(one)) for one in cases)
    [airway] = [count for count in counts if count.element == "airway_placed"]
    assert (airway.missing, airway.applicable) == (154, 269)
    assert round(100 * airway.missing / airway.applicable, 1) == 57.2
    assert round(100 * airway.missing / len(cases), 1) != 57.2
