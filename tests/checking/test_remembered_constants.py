"""A constant that was found sound is not read again; what depends on its place is asked of it every time."""

from __future__ import annotations

from typing import Any

from service.checking.check_resource import check_resource
from service.checking.node_check import remember_constants


def _observation(code: Any, status: str = "final") -> dict[str, Any]:
    return {"resourceType": "Observation", "status": status, "code": code}


def _coding(code: str) -> dict[str, Any]:
    return {"coding": [{"system": "http://loinc.org", "code": code}]}


def test_a_sound_constant_stays_sound() -> None:
    code = _coding("8884-9")
    remember_constants([code])
    assert check_resource(_observation(code)) == check_resource(_observation(code)) == []


def test_a_broken_constant_is_reported_every_time() -> None:
    code = {"coding": [{"system": "http://loinc.org", "kode": "8884-9"}]}
    remember_constants([code])
    for _ in range(2):
        (finding,) = check_resource(_observation(code))
        assert (finding.rule, finding.path) == ("unknown-element", "Observation.code.coding[0].kode")


def test_a_constant_that_is_sound_as_one_type_is_still_read_as_another() -> None:
    code = _coding("8884-9")
    remember_constants([code])
    assert check_resource(_observation(code)) == []
    as_quantity = {**_observation(_coding("1")), "valueQuantity": code}
    assert [finding.rule for finding in check_resource(as_quantity)] == ["unknown-element"]


def test_the_binding_of_its_place_is_asked_of_a_sound_constant() -> None:
    concept = {"coding": [{"system": "http://example.org", "code": "final"}]}
    remember_constants([concept])
    condition = {"resourceType": "Condition", "subject": {"reference": "Patient/p"}, "code": concept}
    assert check_resource(condition) == []
    bound = {**condition, "verificationStatus": concept}
    assert [finding.rule for finding in check_resource(bound)] == ["binding"]
