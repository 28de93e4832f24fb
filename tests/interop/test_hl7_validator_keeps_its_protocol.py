"""HL7's validator behind its line protocol: faults in, answers out, packages loaded, exit codes."""

from __future__ import annotations

import io
import json
import os
import tarfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.support.hl7_validator import PROJECT, Hl7Validator, build
from tests.support.reader_process import ReaderFailedError, ReaderProcess
from tests.support.sample_resources import OBSERVATION
from tests.support.verdict import lines

pytestmark = pytest.mark.java

PROFILE = "https://example.org/fhir/StructureDefinition/observation-with-performer"
CODE_SYSTEM = "https://example.org/fhir/CodeSystem/colours"

PACKAGE: dict[str, dict[str, Any]] = {
    "package.json": {
        "name": "example.colours",
        "version": "0.0.1",
        "canonical": "https://example.org/fhir",
        "fhirVersions": ["4.0.1"],
        "dependencies": {"hl7.fhir.r4.core": "4.0.1"},
    },
    "StructureDefinition-observation-with-performer.json": {
        "resourceType": "StructureDefinition",
        "id": "observation-with-performer",
        "url": PROFILE,
        "name": "ObservationWithPerformer",
        "status": "draft",
        "fhirVersion": "4.0.1",
        "kind": "resource",
        "abstract": False,
        "type": "Observation",
        "baseDefinition": "http://hl7.org/fhir/StructureDefinition/Observation",
        "derivation": "constraint",
        "differential": {
            "element": [
                {"id": "Observation", "path": "Observation"},
                {"id": "Observation.performer", "path": "Observation.performer", "min": 1},
            ]
        },
    },
    "CodeSystem-colours.json": {
        "resourceType": "CodeSystem",
        "id": "colours",
        "url": CODE_SYSTEM,
        "status": "active",
        "content": "complete",
        "concept": [{"code": "green"}],
    },
}


@pytest.fixture
def newer_source() -> Iterator[None]:
    """A source that is newer than the build; afterwards it has its old time, since no other test has to build."""
    source = PROJECT / "pom.xml"
    before = source.stat()
    source.touch()
    yield
    os.utime(source, ns=(before.st_atime_ns, before.st_mtime_ns))


@pytest.fixture(scope="module")
def package(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("package") / "colours.tgz"
    with tarfile.open(path, "w:gz") as archive:
        for name, content in PACKAGE.items():
            data = json.dumps(content).encode()
            member = tarfile.TarInfo(f"package/{name}")
            member.size = len(data)
            archive.addfile(member, io.BytesIO(data))
    return path


def _coloured(code: str, **more: Any) -> dict[str, Any]:
    return {
        "resourceType": "Observation",
        "status": "final",
        "code": {"coding": [{"system": CODE_SYSTEM, "code": code}]},
        **more,
    }


def test_it_says_that_it_is_ready_and_in_which_version(hl7: ReaderProcess) -> None:
    assert hl7.ready["hapi"] == "8.8.0"
    assert hl7.ready["packages"] == []


def test_a_line_that_cannot_be_read_gets_an_answer_and_the_next_line_is_judged(hl7: ReaderProcess) -> None:
    for line in (b"no JSON", b"", b"[]", b'{"id": 7}', b'{"id": 7, "resource": "text"}', b'{"id": 1, "id": 2}'):
        answer = hl7.ask_line(line)
        assert answer["ok"] is False, line
        assert answer["issues"][0]["severity"] == "fatal", line
    assert hl7.ask_line(b'{"id": 7}')["id"] == 7
    [verdict] = hl7.validate([OBSERVATION])
    assert verdict.accepted, lines(verdict.errors)


@pytest.mark.parametrize(
    "system",
    [
        "http://loinc.org",
        "http://www.nlm.nih.gov/research/umls/rxnorm",
        "http://www.whocc.no/atc",
        "urn:iso:std:iso:11073:10101",
        CODE_SYSTEM,
    ],
)
def test_a_code_of_a_system_that_is_not_at_hand_is_a_warning(system: str, hl7: ReaderProcess) -> None:
    [verdict] = hl7.validate([{**OBSERVATION, "code": {"coding": [{"system": system, "code": "8867-4"}]}}])
    assert verdict.accepted, lines(verdict.errors)
    assert "CodeSystem is unknown and can't be validated" in lines(verdict.issues)


def test_a_code_of_snomed_ct_is_passed_over_in_silence(hl7: ReaderProcess) -> None:
    # Written down so that nobody takes it for a proof: this is no concept of SNOMED CT.
    coding = {"system": "http://snomed.info/sct", "code": "8867-4"}
    [verdict] = hl7.validate([{**OBSERVATION, "code": {"coding": [coding]}}])
    assert verdict.accepted, lines(verdict.errors)
    assert "snomed" not in lines(verdict.issues)


@pytest.mark.parametrize("code", ["mcg", "bpm", "joules", "sec", "mEq", "mmHg"])
def test_a_unit_that_ucum_does_not_have_is_an_error(code: str, hl7: ReaderProcess) -> None:
    quantity = {"value": 1, "unit": code, "system": "http://unitsofmeasure.org", "code": code}
    [verdict] = hl7.validate([{**OBSERVATION, "valueQuantity": quantity}])
    assert f"Error processing unit '{code}'" in lines(verdict.errors)


@pytest.mark.parametrize("code", ["ug", "/min", "{shock}", "J", "s", "meq", "mm[Hg]", "Ohm", "mA", "mV", "%"])
def test_a_unit_that_ucum_has_is_accepted(code: str, hl7: ReaderProcess) -> None:
    quantity = {"value": 1, "unit": code, "system": "http://unitsofmeasure.org", "code": code}
    [verdict] = hl7.validate([{**OBSERVATION, "valueQuantity": quantity}])
    assert verdict.accepted, lines(verdict.errors)


@pytest.mark.parametrize(
    "reference",
    [
        "Patient/1",
        "https://example.org/fhir/Patient/1",
        "urn:uuid:0c5a3f0e-5a52-4a53-9a66-0f1b9b6e1c11",
        "Patient?identifier=urn:example:hospital:patients|P-100",
    ],
)
def test_a_reference_that_leads_nowhere_is_no_error(reference: str, hl7: ReaderProcess) -> None:
    [verdict] = hl7.validate([{**OBSERVATION, "subject": {"reference": reference}}])
    assert verdict.accepted, lines(verdict.errors)


def test_a_profile_that_is_claimed_and_not_at_hand_is_an_error(hl7: ReaderProcess) -> None:
    # Not checked is not passed: who claims a profile must hand over its package.
    [verdict] = hl7.validate([{**OBSERVATION, "meta": {"profile": [PROFILE]}}])
    assert "could not be found" in lines(verdict.errors)


def test_a_profile_asked_for_in_the_line_is_checked(hl7: ReaderProcess) -> None:
    heart_rate = "http://hl7.org/fhir/StructureDefinition/heartrate"
    accepted, refused = hl7.validate([OBSERVATION, _coloured("green")], profiles=[heart_rate])
    assert accepted.accepted, lines(accepted.errors)
    assert "magic LOINC code 8867-4 required" in lines(refused.errors)


def test_the_profiles_and_codes_of_a_package_are_checked(package: Path) -> None:
    with Hl7Validator([package]) as hl7:
        [loaded] = hl7.ready["packages"]
        assert (loaded["name"], loaded["version"], len(loaded["sha256"])) == ("example.colours", "0.0.1", 64)
        claim = {"meta": {"profile": [PROFILE]}}
        accepted, without_performer, unknown_code = hl7.validate(
            [
                _coloured("green", **claim, performer=[{"display": "R. Example"}]),
                _coloured("green", **claim),
                _coloured("purple"),
            ]
        )
        assert accepted.accepted, lines(accepted.errors)
        assert "Observation.performer: minimum required = 1" in lines(without_performer.errors)
        assert "Unknown code" in lines(unknown_code.errors)


def test_it_ends_with_0_when_nothing_more_comes() -> None:
    with Hl7Validator() as hl7:
        assert hl7.close_input() == 0


def test_it_ends_with_2_and_says_why_when_a_package_is_absent(tmp_path: Path) -> None:
    absent = tmp_path / "absent.tgz"
    with pytest.raises(ReaderFailedError, match=r"exit code 2; it said:\n.*absent\.tgz"), Hl7Validator([absent]):
        pass


def test_it_is_built_again_only_when_a_source_is_newer(newer_source: None) -> None:
    assert build() is True
    assert build() is False


@pytest.mark.parametrize("absent", ["java", "mvn"])
def test_an_absent_program_is_named(
    absent: str, newer_source: None, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    for name in {"java", "mvn"} - {absent}:
        (tmp_path / name).write_text("#!/bin/sh\nexit 1\n")
        (tmp_path / name).chmod(0o755)
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(ReaderFailedError, match=f"there is no `{absent}` on the path"):
        Hl7Validator()
