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


def _note(reference: str) -> dict[str, Any]:
    return {"authorReference": {"reference": reference}, "text": "made up"}


def test_a_constant_that_mentions_what_is_not_there_is_reported_every_time() -> None:
    note = _note("#gone")
    remember_constants([note])
    for _ in range(2):
        (finding,) = check_resource({**_observation(_coding("8884-9")), "note": [note]})
        assert finding.rule == "ref-1"


def test_a_constant_that_is_right_in_a_transaction_is_still_wrong_outside_of_it() -> None:
    note = _note("Practitioner?identifier=made-up")
    remember_constants([note])
    observation = {**_observation(_coding("8884-9")), "note": [note]}
    entry = {"resource": observation, "request": {"method": "POST", "url": "Observation"}}
    for _ in range(2):
        assert check_resource({"resourceType": "Bundle", "type": "transaction", "entry": [entry]}) == []
        assert [finding.rule for finding in check_resource(observation)] == ["reference-syntax"]


def test_a_plain_reference_is_judged_by_its_place_and_its_id() -> None:
    observation = _observation(_coding("8884-9"))
    for literal, rules in {
        "Patient/p-1": [],
        "Medication/m-1": ["reference-target"],
        "Patient/": ["reference-syntax"],
        "Patient/" + "p" * 65: ["reference-syntax"],
        "Patient/p 1": ["reference-syntax"],
        "Patient/p-1\n": ["reference-syntax"],
    }.items():
        found = check_resource({**observation, "subject": {"reference": literal}})
        assert [finding.rule for finding in found] == rules, literal
