"""What R4 allows as a literal reference is right, and anything else is malformed."""

from __future__ import annotations

from typing import Any

import pytest

from service.checking.check_resource import check_resource
from tests.checking.good_resources import Resource


def found(subject: Resource, **members: Any) -> list[str]:
    observation = {"resourceType": "Observation", "status": "final", "code": {"text": "c"}, "subject": subject}
    return [finding.rule for finding in check_resource({**observation, **members})]


@pytest.mark.parametrize(
    "literal",
    [
        "Patient/1",
        "Group/g-1",
        "Patient/1/_history/2",
        "http://chart.example/fhir/Patient/1",
        "https://chart.example/fhir/Patient/1/_history/2",
        "https://chart.example/anything?else",
        "urn:uuid:2f6f3c1e-8a5d-5a0e-9a51-0d3c1a2b4c5d",
        "urn:oid:1.2.3",
    ],
)
def test_a_literal_reference_of_r4_is_right(literal: str) -> None:
    assert found({"reference": literal}) == []


@pytest.mark.parametrize(
    "literal",
    [
        "Patient",
        "Patient/",
        "Patient/1/2",
        "Patient/1/_history/",
        "Patient/1/_history/a b",
        "Patient/" + "1" * 65,
        "Patient/a_b",
        "/Patient/1",
        "./Patient/1",
        "patient/1",
        "Nothing/1",
        "the patient",
        "Patient/1 ",
        "http:",
        "http://chart.example/a b",
        "urn:uuid:1",
        "urn:oid:x",
        "urn:example:1",
        "Patient?identifier=a|b",
    ],
)
def test_anything_else_is_malformed(literal: str) -> None:
    assert found({"reference": literal}) == ["reference-syntax"]


@pytest.mark.parametrize(
    "subject",
    [
        {"reference": "Practitioner/1"},
        {"reference": "http://chart.example/fhir/Practitioner/1"},
        {"reference": "Practitioner/1/_history/2"},
        {"type": "Practitioner", "display": "d"},
        {"type": "http://hl7.org/fhir/StructureDefinition/Practitioner", "identifier": {"value": "1"}},
        {"type": "Nothing", "display": "d"},
        {"type": "Group", "reference": "Patient/1"},
    ],
)
def test_a_reference_to_a_type_that_is_not_allowed_is_found(subject: Resource) -> None:
    assert found(subject) == ["reference-target"]


@pytest.mark.parametrize(
    "subject",
    [
        {"type": "Patient", "reference": "Patient/1"},
        {"type": "http://hl7.org/fhir/StructureDefinition/Patient", "reference": "Patient/1"},
        {"type": "http://x.example/logical-model", "display": "d"},
        {"identifier": {"value": "1"}},
        {"display": "d"},
    ],
)
def test_a_type_that_fits_is_right(subject: Resource) -> None:
    assert found(subject) == []


def test_a_local_reference_leads_to_a_contained_resource_of_an_allowed_type() -> None:
    patient = {"resourceType": "Patient", "id": "p"}

    assert found({"reference": "#p"}, contained=[patient]) == []
    assert found({"reference": "#q"}, contained=[patient]) == ["ref-1", "dom-3"]
    assert found({"reference": "#p"}, contained=[{"resourceType": "Practitioner", "id": "p"}]) == [
        "reference-target"
    ]


def test_a_contained_resource_may_refer_to_its_neighbour_and_its_container() -> None:
    medication = {"resourceType": "Medication", "id": "m", "manufacturer": {"reference": "#o"}}
    maker = {"resourceType": "Organization", "id": "o", "name": "n"}
    resource = {
        "resourceType": "MedicationAdministration",
        "status": "completed",
        "contained": [medication, maker],
        "medicationReference": {"reference": "#m"},
        "subject": {"display": "s"},
        "effectiveDateTime": "2031",
        "dosage": {"dose": {"value": 1}},
    }
    assert check_resource(resource) == []

    flag = {"resourceType": "Task", "id": "t", "status": "draft", "intent": "plan", "focus": {"reference": "#"}}
    assert check_resource({**resource, "contained": [medication, maker, flag]}) == []


def test_two_contained_resources_with_one_id_are_found() -> None:
    patient = {"resourceType": "Patient", "id": "p"}

    assert found({"reference": "#p"}, contained=[patient, patient]) == ["contained-id"]


def test_a_contained_resource_without_id_is_found() -> None:
    assert "min" in found({"display": "d"}, contained=[{"resourceType": "Patient"}])


def test_the_elements_of_a_contained_resource_are_read() -> None:
    patient = {"resourceType": "Patient", "id": "p", "gender": "f"}

    assert found({"reference": "#p"}, contained=[patient]) == ["binding"]


def test_a_local_reference_does_not_reach_into_another_entry() -> None:
    observation = {
        "resourceType": "Observation",
        "status": "final",
        "code": {"text": "c"},
        "subject": {"reference": "#p"},
    }
    holder = {**observation, "contained": [{"resourceType": "Patient", "id": "p"}]}
    bundle = {
        "resourceType": "Bundle",
        "type": "collection",
        "entry": [
            {"fullUrl": "urn:uuid:2f6f3c1e-8a5d-5a0e-9a51-000000000000", "resource": holder},
            {"fullUrl": "urn:uuid:2f6f3c1e-8a5d-5a0e-9a51-000000000001", "resource": observation},
        ],
    }

    (finding,) = check_resource(bundle)

    assert (finding.rule, finding.path) == ("ref-1", "Bundle.entry[1].resource.subject")
