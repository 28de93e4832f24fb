"""Good resources have no finding, and each bad one has the finding of its rule."""

from __future__ import annotations

import json
from collections.abc import Callable
from types import MappingProxyType
from typing import Any

import pytest

from service.checking.check_resource import WHAT_IS_NOT_CHECKED, check_resource
from service.checking.table import COVERED_RESOURCES
from service.exact_json import read_json, write_json
from tests.checking.bad_resources import BAD_RESOURCES, having
from tests.checking.good_resources import GOOD_KINDS, Resource, good_resource


def rules(resource: Any) -> list[str]:
    return [finding.rule for finding in check_resource(resource) if finding.severity == "error"]


def test_there_is_a_good_resource_of_every_covered_type() -> None:
    assert set(GOOD_KINDS) == COVERED_RESOURCES


@pytest.mark.parametrize("kind", GOOD_KINDS)
def test_a_good_resource_has_no_finding(kind: str) -> None:
    assert check_resource(good_resource(kind)) == []


@pytest.mark.parametrize("kind", GOOD_KINDS)
def test_a_good_resource_read_with_exact_numbers_has_no_finding(kind: str) -> None:
    assert check_resource(read_json(write_json(good_resource(kind)))) == []


@pytest.mark.parametrize(("make", "rule"), [case[1:] for case in BAD_RESOURCES], ids=[c[0] for c in BAD_RESOURCES])
def test_a_bad_resource_is_found_by_its_rule(make: Callable[[], Resource], rule: str | None) -> None:
    assert rules(make()) == ([] if rule is None else [rule])


def test_there_are_fifty_bad_resources_and_only_terminology_is_out_of_reach() -> None:
    assert len(BAD_RESOURCES) == 50
    assert [case[0][:2] for case in BAD_RESOURCES if case[2] is None] == ["20", "48"]
    said = " ".join(WHAT_IS_NOT_CHECKED)
    assert "UCUM" in said
    assert "LOINC" in said


def test_a_finding_says_where_in_fhirpath() -> None:
    resource = good_resource("Bundle")
    resource["entry"][1]["resource"]["code"]["coding"] = [{"code": "x"}, {"code": 1}]

    (finding,) = check_resource(resource)

    assert finding.path == "Bundle.entry[1].resource.code.coding[1].code"


def test_no_message_repeats_a_value() -> None:
    person = "Ada Example"
    values: list[Any] = [person, [person], {"reference": person}, [{"reference": person}], {person: person}]
    for kind in GOOD_KINDS:
        for name in good_resource(kind):
            for value in values:
                for finding in check_resource(having(kind, **{name: value})()):
                    assert person not in finding.message
                    assert person not in finding.path


def test_a_name_that_is_no_fhir_name_is_not_repeated() -> None:
    (finding,) = check_resource({"resourceType": "Patient", "the patient's name": 1})

    assert (finding.rule, finding.path) == ("unknown-element", "Patient")


def test_any_mapping_is_read_as_a_resource() -> None:
    assert check_resource(MappingProxyType(good_resource("Patient"))) == []


@pytest.mark.parametrize(
    "value", [None, True, 1, 1.5, "Patient", [], [1], {}, {"resourceType": None}, {"resourceType": ["Patient"]}]
)
def test_what_is_no_resource_is_one_finding(value: Any) -> None:
    assert len(check_resource(value)) == 1


def test_a_resource_of_r4_without_a_table_is_refused_by_name() -> None:
    (finding,) = check_resource({"resourceType": "CarePlan"})

    assert finding.rule == "type"
    assert "CarePlan" in finding.message


def test_a_resource_that_is_nested_too_deeply_is_one_finding() -> None:
    extension: Resource = {"url": "urn:example:x"}
    for _ in range(5_000):
        extension = {"url": "urn:example:x", "extension": [extension]}

    found = check_resource({"resourceType": "Patient", "extension": [extension]})

    assert [finding.rule for finding in found] == ["type"]


def test_checking_leaves_the_resource_as_it_was() -> None:
    for kind in GOOD_KINDS:
        resource = good_resource(kind)
        before = json.dumps(resource)
        check_resource(resource)
        assert json.dumps(resource) == before
