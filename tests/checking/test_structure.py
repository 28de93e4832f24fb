"""The structure of R4 in JSON: names, arrays, choices, extensions of primitives."""

from __future__ import annotations

from typing import Any

import pytest

from service.checking.check_resource import check_resource
from service.checking.table import COVERED_RESOURCES, TYPES
from tests.checking.good_resources import Resource

EXTENSION = {"url": "urn:example:x", "valueCode": "a"}


def patient(**members: Any) -> Resource:
    return {"resourceType": "Patient", **members}


def found(resource: Resource) -> list[tuple[str, str]]:
    return [(finding.rule, finding.path.partition(".")[2]) for finding in check_resource(resource)]


@pytest.mark.parametrize(
    "name",
    [
        {"given": ["Ada"], "_given": [{"id": "a"}]},
        {"given": ["Ada", None], "_given": [None, {"extension": [EXTENSION]}]},
        {"given": [None], "_given": [{"extension": [EXTENSION]}]},
        {"_given": [{"extension": [EXTENSION]}]},
        {"_family": {"extension": [EXTENSION]}},
        {"family": "A", "_family": {"id": "f", "extension": [EXTENSION]}},
    ],
)
def test_extensions_of_primitives_stand_beside_them(name: Resource) -> None:
    assert found(patient(name=[name])) == []


@pytest.mark.parametrize(
    ("name", "finding"),
    [
        ({"given": [None], "_given": [None]}, ("empty", "name[0].given[0]")),
        ({"given": ["Ada", None]}, ("empty", "name[0].given[1]")),
        ({"given": ["Ada"], "_given": [None, {"id": "a"}]}, ("type", "name[0]._given")),
        ({"given": ["Ada"], "_given": {"id": "a"}}, ("type", "name[0]._given")),
        ({"given": ["Ada"], "_given": []}, ("empty", "name[0]._given")),
        ({"_given": [None]}, ("empty", "name[0]._given[0]")),
        ({"family": None}, ("empty", "name[0].family")),
        ({"family": "A", "_family": None}, ("empty", "name[0]._family")),
        ({"family": "A", "_family": {}}, ("empty", "name[0]._family")),
        ({"family": "A", "_family": [{"id": "f"}]}, ("max", "name[0]._family")),
        ({"family": "A", "_family": {"id": 1}}, ("type", "name[0]._family.id")),
        ({"family": "A", "_family": {"value": 1}}, ("unknown-element", "name[0]._family.value")),
        ({"_family": {"id": "f"}}, ("ele-1", "name[0]._family")),
        ({"family": ["A"]}, ("max", "name[0].family")),
        ({"given": "Ada"}, ("type", "name[0].given")),
        ({"given": [["Ada"]]}, ("type", "name[0].given[0]")),
        ({"_period": {"extension": [EXTENSION]}}, ("unknown-element", "name[0]._period")),
        ({"text": "A", "_id": {"extension": [EXTENSION]}}, ("unknown-element", "name[0]._id")),
        ({"resourceType": "HumanName"}, ("unknown-element", "name[0].resourceType")),
        ({"use": "nom"}, ("binding", "name[0].use")),
    ],
)
def test_a_broken_form_is_found_where_it_stands(name: Resource, finding: tuple[str, str]) -> None:
    assert finding in found(patient(name=[name]))


def test_a_required_primitive_may_be_there_by_its_extension_alone() -> None:
    absent = {
        "extension": [{"url": "http://hl7.org/fhir/StructureDefinition/data-absent-reason", "valueCode": "unknown"}]
    }

    assert found({"resourceType": "Observation", "_status": absent, "code": {"text": "c"}}) == []


def test_a_required_choice_may_be_there_by_its_extension_alone() -> None:
    resource = {
        "resourceType": "Communication",
        "status": "completed",
        "payload": [{"_contentString": {"extension": [EXTENSION]}}],
    }

    assert found(resource) == []


def test_a_choice_may_not_have_a_value_of_one_type_and_extensions_of_another() -> None:
    resource = patient(multipleBirthInteger=2, _multipleBirthBoolean={"extension": [EXTENSION]})

    assert found(resource) == [("choice", "multipleBirth")]


def test_a_type_that_a_choice_does_not_have_is_told_from_an_unknown_name() -> None:
    assert found(patient(deceasedString="x")) == [("choice", "deceasedString")]
    assert found(patient(deceased=True)) == [("unknown-element", "deceased")]


def test_the_profile_on_a_quantity_stands_under_the_name_of_quantity() -> None:
    dosage = {"rateSimpleQuantity": {"value": 1}}
    resource = {
        "resourceType": "MedicationAdministration",
        "status": "completed",
        "medicationCodeableConcept": {"text": "m"},
        "subject": {"display": "s"},
        "effectiveDateTime": "2031",
        "dosage": dosage,
    }

    assert found(resource) == [("choice", "dosage.rateSimpleQuantity")]
    dosage["rateQuantity"] = dosage.pop("rateSimpleQuantity")
    assert found(resource) == []


def test_elements_that_refer_to_the_content_of_others_are_read_to_any_depth() -> None:
    innermost = {"title": "t", "entry": [{"reference": 1}]}
    section = {"section": [{"section": [innermost]}]}
    resource = {
        "resourceType": "Composition",
        "status": "final",
        "type": {"text": "t"},
        "date": "2031",
        "author": [{"display": "a"}],
        "title": "t",
        "section": [section],
    }

    assert found(resource) == [("type", "section[0].section[0].section[0].entry[0].reference")]


def test_a_bound_concept_needs_one_coding_of_the_value_set() -> None:
    status = "http://terminology.hl7.org/CodeSystem/condition-clinical"

    def rules(concept: Resource) -> list[tuple[str, str]]:
        return found({"resourceType": "Condition", "subject": {"display": "s"}, "clinicalStatus": concept})

    assert rules({"coding": [{"system": status, "code": "active"}, {"code": "x"}]}) == []
    assert rules({"extension": [EXTENSION]}) == []
    for concept in (
        {"text": "active"},
        {"coding": [{"code": "active"}]},
        {"coding": [{"system": "urn:example:x", "code": "active"}]},
        {"coding": [{"system": status, "code": "Active"}]},
        {"coding": [{"system": status}]},
    ):
        assert rules(concept) == [("binding", "clinicalStatus")]


def test_the_url_of_an_extension_is_relative_only_within_another() -> None:
    nested = {"url": "urn:example:x", "extension": [{"url": "part", "valueCode": "a"}]}

    assert found(patient(extension=[nested])) == []
    assert found(patient(extension=[{"url": "part", "valueCode": "a"}])) == [("primitive", "extension[0].url")]


def test_an_extension_takes_every_type_of_r4_and_no_later_one() -> None:
    assert found(patient(extension=[{"url": "urn:example:x", "valueMeta": {"tag": [{"code": "a"}]}}])) == []
    assert found(patient(extension=[{"url": "urn:example:x", "valueInteger64": 1}])) == [
        ("choice", "extension[0].valueInteger64")
    ]


def test_modifier_extensions_stand_only_where_r4_has_them() -> None:
    assert (
        found(
            patient(
                modifierExtension=[EXTENSION], contact=[{"name": {"text": "n"}, "modifierExtension": [EXTENSION]}]
            )
        )
        == []
    )
    assert found(patient(name=[{"modifierExtension": [EXTENSION]}])) == [
        ("unknown-element", "name[0].modifierExtension")
    ]


@pytest.mark.parametrize("kind", sorted(COVERED_RESOURCES))
def test_a_resource_with_nothing_but_its_type_lacks_just_what_r4_requires(kind: str) -> None:
    required = {element.name.removesuffix("[x]") for element in TYPES[kind].elements if element.is_required}

    missing = {path for rule, path in found({"resourceType": kind}) if rule == "min"}

    assert missing == required


@pytest.mark.parametrize("name", sorted(TYPES))
def test_every_element_of_every_type_is_compiled(name: str) -> None:
    assert TYPES[name].elements
    for element in TYPES[name].elements:
        assert all(
            kind.startswith("@") or kind in TYPES or kind == "Resource" or kind[0].islower()
            for kind in element.types
        )
