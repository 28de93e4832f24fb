"""HL7's own validator and an independent reader in JavaScript read what the service makes."""

from __future__ import annotations

from collections import Counter
from typing import Any

import pytest

from tests.support.golden_resources import (
    GoldenResource,
    each_golden_resource,
    present,
    read_golden_resources,
)
from tests.support.reader_process import ReaderProcess
from tests.support.sample_resources import (
    GOOD_RESOURCES,
    MEDICATION_ADMINISTRATION,
    PROCEDURE,
    SPOILED_RESOURCES,
    UNKNOWN_STATUS,
    VALUE_AND_REASON_FOR_ITS_ABSENCE,
    WRONG_REFERENCE,
    WRONG_UNIT,
)
from tests.support.verdict import Verdict, lines

UNSEEN_BY_NPM = {"two values", "month thirteen"}
"""It checks neither that a choice has one value only, nor that a date exists in the calendar."""


@pytest.fixture(scope="module")
def hl7_verdicts(hl7: ReaderProcess) -> dict[str, Verdict]:
    """Return what the validator says of each golden resource, by its name; it is asked once."""
    goldens = read_golden_resources()
    verdicts = hl7.validate(golden.resource for golden in goldens)
    by_name = {golden.name: verdict for golden, verdict in zip(goldens, verdicts, strict=True)}
    assert len(by_name) == len(goldens), "two golden resources have the same name"
    return by_name


@pytest.mark.java
@each_golden_resource()
def test_hl7s_validator_finds_no_error_in_the_golden_resource(
    golden: GoldenResource | None, hl7_verdicts: dict[str, Verdict]
) -> None:
    verdict = hl7_verdicts[present(golden).name]
    assert verdict.accepted, lines(verdict.errors)


@pytest.mark.java
def test_what_hl7s_validator_remarks_without_refusing_is_counted_and_shown(
    hl7_verdicts: dict[str, Verdict], capsys: pytest.CaptureFixture[str]
) -> None:
    verdicts = hl7_verdicts.values()
    remarks = Counter(
        (issue.severity, issue.text) for verdict in verdicts for issue in verdict.issues if not issue.is_error
    )
    with capsys.disabled():
        print(f"\nHL7's validator: {len(verdicts)} resources, {remarks.total()} remarks that are no errors")
        for (severity, text), count in remarks.most_common():
            print(f"{count:6} {severity}: {text}")
    assert [name for name, verdict in hl7_verdicts.items() if verdict.errors] == []


@pytest.mark.java
def test_hl7s_validator_refuses_each_spoiled_resource_and_no_good_one(hl7: ReaderProcess) -> None:
    good = hl7.validate(GOOD_RESOURCES)
    assert [lines(verdict.errors) for verdict in good if not verdict.accepted] == []
    spoiled = zip(SPOILED_RESOURCES, hl7.validate(SPOILED_RESOURCES.values()), strict=True)
    assert [name for name, verdict in spoiled if verdict.accepted] == []


@pytest.mark.java
@pytest.mark.parametrize(
    ("resource", "words"),
    [
        (UNKNOWN_STATUS, "was not found in the value set"),
        (WRONG_UNIT, "Error processing unit 'mcg'"),
        (VALUE_AND_REASON_FOR_ITS_ABSENCE, "obs-6"),
    ],
    ids=["binding", "UCUM", "invariant"],
)
def test_hl7s_validator_checks_what_the_other_readers_do_not(
    resource: dict[str, Any], words: str, hl7: ReaderProcess
) -> None:
    [verdict] = hl7.validate([resource])
    assert words in lines(verdict.errors)


@pytest.mark.node
@each_golden_resource()
def test_the_npm_reader_accepts_the_golden_resource(golden: GoldenResource | None, npm: ReaderProcess) -> None:
    [verdict] = npm.validate([present(golden).resource])
    assert verdict.accepted, lines(verdict.errors)


@pytest.mark.node
def test_the_npm_reader_refuses_spoiled_resources_and_no_good_one(npm: ReaderProcess) -> None:
    good = npm.validate(GOOD_RESOURCES)
    assert [lines(verdict.errors) for verdict in good if not verdict.accepted] == []
    spoiled = zip(SPOILED_RESOURCES, npm.validate(SPOILED_RESOURCES.values()), strict=True)
    assert {name for name, verdict in spoiled if verdict.accepted} == UNSEEN_BY_NPM


@pytest.mark.node
def test_the_npm_reader_checks_the_type_in_a_reference_and_the_code_of_a_status(npm: ReaderProcess) -> None:
    reference, status = npm.validate([WRONG_REFERENCE, UNKNOWN_STATUS])
    assert "Invalid type for reference" in lines(reference.errors)
    assert "status" in lines(status.errors)


REASON = {
    "extension": [{"url": "http://hl7.org/fhir/StructureDefinition/data-absent-reason", "valueCode": "unknown"}]
}


@pytest.mark.node
def test_the_npm_reader_takes_a_reason_for_absence_for_a_required_element_and_nothing_less(
    npm: ReaderProcess,
) -> None:
    administration = {
        name: value for name, value in MEDICATION_ADMINISTRATION.items() if name != "effectiveDateTime"
    }
    bundle = {"resourceType": "Bundle", "type": "collection"}
    verdicts = npm.validate(
        [
            administration | {"_effectiveDateTime": REASON},
            bundle | {"entry": [{"resource": administration | {"_effectiveDateTime": REASON}}]},
            {"resourceType": "Device", "deviceName": [{"name": "x", "_type": REASON}]},
            administration,
            administration | {"_effectiveDateTime": {"id": "a"}},
            administration | {"_status": REASON},
            bundle
            | {
                "entry": [
                    {"resource": administration},
                    {"resource": administration | {"_effectiveDateTime": REASON}},
                ]
            },
            {"resourceType": "Device", "deviceName": [{"name": "x", "_type": REASON}, {"name": "y"}]},
        ]
    )
    assert [verdict.accepted for verdict in verdicts] == [True] * 3 + [False] * 5


@pytest.mark.java
def test_hl7s_validator_takes_a_reason_for_absence_except_where_a_code_is_required(hl7: ReaderProcess) -> None:
    time, status = hl7.validate(
        [
            {name: value for name, value in PROCEDURE.items() if name != "performedDateTime"}
            | {"_performedDateTime": REASON},
            {name: value for name, value in PROCEDURE.items() if name != "status"} | {"_status": REASON},
        ]
    )
    assert time.accepted, lines(time.errors)
    assert "a code is required from the value set" in lines(status.errors)
