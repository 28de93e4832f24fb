"""The second reader reads every good resource, and finds what is wrong in a bad one."""

from __future__ import annotations

from typing import Any

import pytest

from service.checking.check_resource import check_resource
from service.checking.read_with_models import read_with_models, warm_up
from service.checking.table import RESOURCE_TYPES
from service.exact_json import write_json
from tests.checking.bad_resources import BAD_RESOURCES, having, without
from tests.checking.good_resources import GOOD_KINDS, good_resource
from tests.checking.mutants import mutants
from tests.support.second_reader import second_reading


@pytest.mark.parametrize("kind", GOOD_KINDS)
def test_the_models_read_every_good_resource(kind: str) -> None:
    assert second_reading(good_resource(kind)) == []


def test_a_missing_element_is_found_with_its_place() -> None:
    resource = good_resource("Observation")
    del resource["component"][2]["valueSampledData"]["dimensions"]

    (finding,) = second_reading(resource)

    assert finding.rule == "model"
    assert finding.path == "Observation.component[2].valueSampledData.dimensions"
    assert finding.severity == "error"


def test_the_models_read_the_resources_in_a_bundle() -> None:
    resource = good_resource("Bundle")
    del resource["entry"][1]["resource"]["status"]

    assert [finding.path for finding in second_reading(resource)] == ["Bundle.entry[1].resource.status"]


def test_some_bad_resources_are_found_and_none_that_the_table_does_not_find() -> None:
    found = {case[0][:2] for case in BAD_RESOURCES if second_reading(case[1]())}

    assert len(found) >= 19
    assert found <= {case[0][:2] for case in BAD_RESOURCES if check_resource(case[1]())}


def test_no_message_repeats_a_value() -> None:
    person = "Ada Example"
    for kind in ("Observation", "Patient", "Task"):
        for name in good_resource(kind):
            for value in (person, [person], {person: person}, 5):
                for finding in second_reading(having(kind, **{name: value})()):
                    assert person not in finding.message + finding.path


@pytest.mark.parametrize(
    "value",
    [None, 1, "Patient", [], {}, {"resourceType": "Quantity"}, {"resourceType": "Nothing"}, {"resourceType": []}],
)
def test_what_no_model_knows_is_one_finding(value: Any) -> None:
    (finding,) = second_reading(value)

    assert finding.rule == "model"


@pytest.mark.parametrize(
    "body", [b"", b"{", b"[]", b"\xff", b'{"resourceType":"Patient","name":[{"text":"\\ud800"}]}']
)
def test_bytes_that_spell_no_resource_are_a_finding(body: bytes) -> None:
    assert {finding.rule for finding in read_with_models("Patient", body)} == {"model"}


def test_the_bytes_of_another_type_are_a_finding() -> None:
    assert [finding.rule for finding in read_with_models("Patient", write_json(good_resource("Task")))] != []


def test_a_crash_inside_the_library_is_a_finding(monkeypatch: pytest.MonkeyPatch) -> None:
    class Broken:
        def model_validate_json(self, body: bytes) -> None:
            raise ZeroDivisionError(body)

    monkeypatch.setattr("service.checking.read_with_models.get_fhir_model_class", lambda _name: Broken())

    (finding,) = second_reading(good_resource("Patient"))

    assert finding.message == "The model could not read the resource: ZeroDivisionError."


def test_a_type_of_r4_that_r4b_dropped_is_a_finding() -> None:
    assert "EffectEvidenceSynthesis" in RESOURCE_TYPES
    assert [finding.rule for finding in second_reading({"resourceType": "EffectEvidenceSynthesis"})] == ["model"]


def test_whatever_mutant_the_models_reject_the_table_rejects() -> None:
    rejected = 0
    for mutant in mutants(seed=3, count=300):
        if second_reading(mutant):
            rejected += 1
            assert any(finding.severity == "error" for finding in check_resource(mutant)), mutant
    assert rejected > 100


def test_every_covered_type_can_be_warmed_up() -> None:
    warm_up(GOOD_KINDS)


def test_a_warm_model_still_judges() -> None:
    warm_up(["Encounter"])

    assert second_reading(without("Encounter", "class")()) != []


def test_warming_up_what_is_no_type_is_refused() -> None:
    with pytest.raises(KeyError):
        warm_up(["Nothing"])
