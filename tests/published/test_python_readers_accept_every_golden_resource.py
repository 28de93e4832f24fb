"""Two readers in Python, written by others from the specification, read what the service makes.

fhir.resources has R4B (4.3.0), not R4 (4.0.1): for the resource types of the service the two agree where it
matters, but it is the other readers that know 4.0.1. fhirkit has R4 and checks structure, types and
cardinality; neither knows bindings, invariants or the types that a reference may have.
"""

from __future__ import annotations

import copy
from collections.abc import Callable
from typing import Any

import pytest

from tests.support.fhirkit_reader import read_with_fhirkit
from tests.support.golden_resources import GoldenResource, each_golden_resource, present
from tests.support.sample_resources import GOOD_RESOURCES, SPOILED_RESOURCES, UNKNOWN_STATUS, WRONG_REFERENCE
from tests.support.second_reader import second_reading
from tests.support.verdict import lines

Reader = Callable[[dict[str, Any]], list[str]]


def _errors_of_models(resource: dict[str, Any]) -> list[str]:
    return [str(finding) for finding in second_reading(resource) if finding.severity == "error"]


def _errors_of_fhirkit(resource: dict[str, Any]) -> list[str]:
    return [str(issue) for issue in read_with_fhirkit(resource).errors]


each_reader = pytest.mark.parametrize(
    "errors_of", [_errors_of_models, _errors_of_fhirkit], ids=["fhir.resources", "fhirkit"]
)


@each_reader
@each_golden_resource()
def test_the_reader_accepts_the_golden_resource(golden: GoldenResource | None, errors_of: Reader) -> None:
    assert errors_of(present(golden).resource) == []


@each_reader
@pytest.mark.parametrize("resource", GOOD_RESOURCES, ids=lambda resource: str(resource["resourceType"]))
def test_the_reader_accepts_a_good_resource_and_leaves_it_as_it_was(
    resource: dict[str, Any], errors_of: Reader
) -> None:
    before = copy.deepcopy(resource)
    assert errors_of(resource) == []
    assert resource == before


@each_reader
@pytest.mark.parametrize("name", SPOILED_RESOURCES)
def test_the_reader_refuses_a_spoiled_resource(name: str, errors_of: Reader) -> None:
    assert errors_of(SPOILED_RESOURCES[name]) != []


@each_reader
@each_golden_resource()
def test_the_reader_refuses_the_golden_resource_with_an_element_that_no_resource_has(
    golden: GoldenResource | None, errors_of: Reader
) -> None:
    assert errors_of({**present(golden).resource, "elementThatNoResourceHas": 1}) != []


def test_what_fhirkit_cannot_see_is_known() -> None:
    # Written down so that nobody takes its silence for a proof; other readers see both.
    for resource in (UNKNOWN_STATUS, WRONG_REFERENCE):
        verdict = read_with_fhirkit(resource)
        assert verdict.accepted, lines(verdict.issues)
