"""Over many cases, an element's missing ones are counted among those to which it applies."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from service.completeness.count_gaps import ElementCount, count_by_element
from service.records.assessment import Assessment, State


def _one(
    state: State, event_id: str | None = None, rule: str = "r-1", element: str = "case.location"
) -> Assessment:
    return Assessment(element, event_id, "core", state, rule, "Where?")


def test_what_does_not_apply_is_in_neither_number() -> None:
    cases = [[_one("missing")], [_one("recorded")], [_one("not-applicable")]]
    [count] = count_by_element(cases)
    assert count == ElementCount("case.location", 1, 2)


def test_stated_unknown_and_conflict_are_documented_and_not_missing() -> None:
    assert count_by_element([[_one("stated-unknown")], [_one("conflict")]]) == [ElementCount("case.location", 0, 2)]


def test_an_element_that_never_applied_is_left_out() -> None:
    assert count_by_element([[_one("not-applicable")]]) == []


def test_each_event_counts_by_itself_and_the_same_id_in_two_cases_is_two_events() -> None:
    case = [_one("missing", "e-1"), _one("recorded", "e-2")]
    assert count_by_element([case, case]) == [ElementCount("case.location", 2, 4)]


def test_two_rules_about_one_element_count_it_once() -> None:
    case = [_one("missing", "e-1"), _one("recorded", "e-1", "r-2"), _one("not-applicable", "e-1", "r-3")]
    assert count_by_element([case]) == [ElementCount("case.location", 1, 1)]


def test_elements_stand_in_the_order_of_the_alphabet() -> None:
    case = [_one("missing", element="vital_signs"), _one("missing", element="case.location")]
    assert [count.element for count in count_by_element([case])] == ["case.location", "vital_signs"]


_STATES = st.sampled_from(["recorded", "stated-unknown", "not-applicable", "missing", "conflict"])


@given(st.lists(st.lists(_STATES, max_size=5), max_size=5))
def test_missing_never_exceeds_applicable(states: list[list[State]]) -> None:
    cases = [[_one(state, f"e-{place}") for place, state in enumerate(case)] for case in states]
    flat = [state for case in states for state in case]
    applicable = sum(state != "not-applicable" for state in flat)
    counts = count_by_element(cases)
    assert [(one.missing, one.applicable) for one in counts] == (
        [(flat.count("missing"), applicable)] if applicable else []
    )
