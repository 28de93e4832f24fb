"""The facts that conditions may ask for are those that are listed, and no others."""

from __future__ import annotations

from service.completeness.case_facts import FACTS, gather_facts
from tests.support.made_events import event, timeline

SHOCKABLE = {"ventricular_fibrillation": True, "asystole": False}


def test_all_listed_facts_are_gathered_and_every_other_name_says_where_it_comes_from() -> None:
    rhythm = event("e-1", "rhythm_assessed", "10:01:50", rhythm="asystole")
    facts = gather_facts({"location": "Ward 4"}, timeline([rhythm]), SHOCKABLE)
    assert set(facts) == {*FACTS, "case.location", "has.rhythm_assessed"}
    assert {type(facts[name]) for name in FACTS} == {bool}


def test_the_shockability_of_a_first_rhythm_that_was_not_determined_is_absent() -> None:
    undetermined = event("e-1", "rhythm_assessed", "10:01:00", rhythm="not_determined")
    later = event("e-2", "rhythm_assessed", "10:01:50", rhythm="ventricular_fibrillation")
    facts = gather_facts({}, timeline([undetermined, later]), SHOCKABLE)
    assert "first_rhythm_shockable" not in facts
    assert facts["any_rhythm_shockable"] is True


def test_the_word_of_the_table_outweighs_what_the_client_says() -> None:
    rhythm = event("e-1", "rhythm_assessed", "10:01:50", rhythm="asystole", shockable=True)
    assert gather_facts({}, timeline([rhythm]), SHOCKABLE)["first_rhythm_shockable"] is False
