"""HL7's validator loads the FHIR package, accepts its examples against our profiles, and refuses spoiled ones."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from service.checking.make_r4_table import OfficialDefinitions
from service.conformance import base_snapshots
from service.conformance.canonical import PACKAGE_NAME
from service.conformance.make_base_snapshots import make_base_snapshots, write_base_snapshots
from service.exact_json import write_json
from service.mapping.record_values import CANONICAL
from service.problems import Rejected
from tests.support.claiming_stages import claiming_stages
from tests.support.fhir_package import profile_url, shipped_package, write_stripped
from tests.support.generated_records import checks, generate
from tests.support.hl7_validator import LIBRARIES, Hl7Validator, build
from tests.support.made_resources import cases, check_resources
from tests.support.reader_process import ReaderProcess
from tests.support.spoiled_examples import SPOILED, SPOILED_EXTENSIONS, Spoiled
from tests.support.verdict import Issue, Verdict, lines

pytestmark = pytest.mark.java

EVERY_SPOILED = [*SPOILED, *SPOILED_EXTENSIONS]


def _official_jar() -> Path:
    build()
    [jar] = LIBRARIES.glob("hapi-fhir-validation-resources-r4-*.jar")
    return jar


@pytest.fixture
def hl7(hl7_with_package: ReaderProcess) -> ReaderProcess:
    """Return the validator as everything here wants it."""
    return hl7_with_package


@pytest.fixture(scope="module")
def hl7_with_its_own_snapshots(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ReaderProcess]:
    file = tmp_path_factory.mktemp("stripped") / "package.tgz"
    write_stripped(shipped_package(), file)
    with Hl7Validator([file], answer_seconds=180) as reader:
        yield reader


def _without_claim(spoiled: Spoiled) -> dict[str, Any]:
    resource = spoiled.resource()
    claimed = [url for url in resource["meta"]["profile"] if url != profile_url(spoiled.profile)]
    rest = {name: value for name, value in resource.items() if name != "meta"}
    return {**rest, "meta": {"profile": claimed}} if claimed else rest


def _is_the_reason(issue: Issue, spoiled: Spoiled) -> bool:
    return (
        issue.is_error
        and issue.code.endswith(spoiled.code)
        and issue.expression == spoiled.place
        and spoiled.words in issue.text
    )


def test_the_validator_loads_the_package(hl7: ReaderProcess) -> None:
    [loaded] = hl7.ready["packages"]
    assert loaded["name"] == PACKAGE_NAME


def test_the_validator_accepts_every_example_against_the_profiles_that_it_claims(hl7: ReaderProcess) -> None:
    examples = shipped_package().examples
    assert len(examples) > 300
    refused = [
        f"{example['resourceType']}/{example['id']}: {lines(verdict.errors)}"
        for example, verdict in zip(examples, hl7.validate(examples), strict=True)
        if not verdict.accepted
    ]
    assert refused == []


CASES_OF_A_KIND = 4
CHECKS = 12


def _generated() -> Iterator[dict[str, Any]]:
    """Yield what generated records become, each claiming its profile: things missing, odd, retracted, unmapped."""
    stages = claiming_stages()
    for kind in stages.vocabulary.events:
        for case in generate(cases([kind]), CASES_OF_A_KIND):
            try:
                read = case.read(stages)
            except Rejected:
                continue
            yield from read.resources(stages)
    for content in generate(checks(stages.vocabulary), CHECKS):
        yield from check_resources(content, stages)


def test_the_validator_accepts_what_generated_records_become_against_our_profiles(hl7: ReaderProcess) -> None:
    resources = list({write_json(resource): resource for resource in _generated()}.values())
    assert len(resources) > 400
    claimed = {url for resource in resources for url in resource["meta"]["profile"]}
    assert len([url for url in claimed if url.startswith(CANONICAL)]) > 70
    refused = [
        f"{write_json(resource).decode()}: {lines(verdict.errors)}"
        for resource, verdict in zip(resources, hl7.validate(resources), strict=True)
        if not verdict.accepted
    ]
    assert refused == []


@pytest.mark.parametrize("spoiled", EVERY_SPOILED, ids=lambda spoiled: spoiled.name)
def test_the_validator_refuses_a_spoiled_example_for_the_reason_intended(
    spoiled: Spoiled, hl7: ReaderProcess
) -> None:
    [verdict] = hl7.validate([spoiled.resource()])
    assert any(_is_the_reason(issue, spoiled) for issue in verdict.errors), lines(verdict.errors)


def test_without_the_claim_of_our_profile_r4_allows_what_was_spoiled(hl7: ReaderProcess) -> None:
    verdicts = hl7.validate(_without_claim(spoiled) for spoiled in SPOILED)
    refused = [
        f"{spoiled.name}: {lines(verdict.errors)}"
        for spoiled, verdict in zip(SPOILED, verdicts, strict=True)
        if not verdict.accepted
    ]
    assert refused == []


OFFLINE_LIMIT = "Unable to resolve package id hl7.fhir.r4.core#null"
"""To check the definition of an extension the validator wants R4's own package, which it would download."""


def test_the_validator_finds_no_error_in_the_conformance_resources(hl7: ReaderProcess) -> None:
    conformance = shipped_package().conformance
    faults: dict[str, list[str]] = {}
    for resource, verdict in zip(conformance, hl7.validate(conformance), strict=True):
        if not verdict.accepted:
            faults[resource["id"]] = [issue.text for issue in verdict.errors]
    # The one thing that it cannot do here, for any extension whatsoever (see the next test).
    [limit] = faults.pop("device-time")
    assert OFFLINE_LIMIT in limit
    assert faults == {}


def test_the_validator_cannot_check_the_definition_of_the_plainest_extension_offline_either(
    hl7: ReaderProcess,
) -> None:
    url = "urn:example:plain"
    plain = {
        "resourceType": "StructureDefinition",
        "url": url,
        "name": "Plain",
        "status": "draft",
        "fhirVersion": "4.0.1",
        "kind": "complex-type",
        "abstract": False,
        "context": [{"type": "element", "expression": "Element"}],
        "type": "Extension",
        "baseDefinition": "http://hl7.org/fhir/StructureDefinition/Extension",
        "derivation": "constraint",
        "differential": {"element": [{"id": "Extension.url", "path": "Extension.url", "fixedUri": url}]},
    }
    [verdict] = hl7.validate([plain])
    [error] = verdict.errors
    assert OFFLINE_LIMIT in error.text


def _said(verdict: Verdict) -> set[tuple[str, str, str]]:
    return {(issue.severity, issue.expression, issue.text) for issue in verdict.issues}


def test_snapshots_that_the_validator_makes_itself_from_our_differentials_give_the_same_verdicts(
    hl7: ReaderProcess, hl7_with_its_own_snapshots: ReaderProcess
) -> None:
    """Our snapshots say what our differentials say, as HL7's own generator understands them."""
    resources = [*shipped_package().examples, *(spoiled.resource() for spoiled in EVERY_SPOILED)]
    ours, theirs = hl7.validate(resources), hl7_with_its_own_snapshots.validate(resources)
    differing = [
        f"{resource['resourceType']}/{resource['id']}: {_said(one) ^ _said(other)}"
        for resource, one, other in zip(resources, ours, theirs, strict=True)
        if _said(one) != _said(other)
    ]
    assert differing == []


def test_the_base_snapshots_are_those_of_the_official_definitions() -> None:
    made = write_base_snapshots(make_base_snapshots(OfficialDefinitions(_official_jar())))
    held = Path(base_snapshots.__file__).with_name("base_snapshots.json").read_text(encoding="utf-8")
    assert held == made
