"""HL7's own validator and the table over the same resources: agreed, or the reason for the difference is here."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from typing import Any

import pytest

from service.checking.check_resource import check_resource
from service.exact_json import write_json
from tests.checking.bad_resources import BAD_RESOURCES
from tests.checking.good_resources import GOOD_KINDS, good_resource
from tests.checking.mutants import mutants
from tests.checking.test_invariants import CASES
from tests.support.hl7_validator import Hl7Validator
from tests.support.reader_process import ReaderProcess
from tests.support.verdict import Verdict, lines

pytestmark = pytest.mark.java

NOT_LOOKED_UP = "None of the codings provided are in the value set"
"""Offline, the validator gives a concept up at its first coding of a system that it does not know."""

KNOWN_GOOD_ELSEWHERE = {
    # The other entry of this document is not referred to, which is the validator's own rule for documents.
    "bdl-11": "isn't reachable",
    # A made-up profile, and an anchor in a narrative, that lead nowhere.
    "dom-4": "could not be found",
    "txt-2": "does not resolve",
}

UNSEEN_BAD = {
    "06": "Seen: it says nothing of a valueDecimal, which R4 does not list; the reason is unknown.",
    "10": "Seen: offline it does not judge the type in a literal reference.",
    "11": "Seen: offline it does not judge the type in a literal reference.",
    "17": "R4 gives the grammar of samples in words only.",
    "40": "Seen: it does not miss the entry that a urn:uuid in a transaction should lead to.",
    "48": "Offline, LOINC is a warning.",
}
"""Bad resources of the fifty that the validator may accept."""

UNSEEN_INVARIANTS = {
    ("ele-1", 0): "Seen: it lets an element with nothing but an id pass.",
    ("txt-1", 7): "Seen: it lets a processing instruction in a narrative pass.",
}

BEYOND_THE_TABLE = (
    # What WHAT_IS_NOT_CHECKED says: units, profiles, absolute systems, the ids of elements.
    "Error processing unit",
    "vitalsigns",
    "must be an absolute reference",
    "Duplicate id value",
    NOT_LOOKED_UP,
    # An empty resource in Parameters: FHIRPath does not see it, R4's JSON allows it.
    "A parameter must have one and only one of (value, resource, part)",
    # Only the validator wants a fullUrl in a transaction; R4 excepts it by name (bundle.html).
    "Bundle entry missing fullUrl",
    # The validator's own failure to convert a quantity whose unit it does not know.
    "HAPI-0676",
)


@pytest.fixture(scope="module")
def hl7() -> Iterator[ReaderProcess]:
    with Hl7Validator() as reader:
        yield reader


def is_refused(resource: dict[str, Any]) -> bool:
    return any(finding.severity == "error" for finding in check_resource(resource))


def verdict_of(hl7: ReaderProcess, resource: dict[str, Any]) -> Verdict:
    [verdict] = hl7.validate([resource])
    return verdict


@pytest.mark.parametrize("kind", GOOD_KINDS)
def test_hl7_accepts_every_good_resource(kind: str, hl7: ReaderProcess) -> None:
    errors = [e for e in verdict_of(hl7, good_resource(kind)).errors if NOT_LOOKED_UP not in e.text]

    assert not errors, lines(errors)


def test_hl7_rejects_the_bad_resources_but_those_that_it_cannot_see(hl7: ReaderProcess) -> None:
    accepted = {case[0][:2] for case in BAD_RESOURCES if verdict_of(hl7, case[1]()).accepted}

    assert accepted <= set(UNSEEN_BAD)


@pytest.mark.parametrize("name", CASES)
def test_hl7_agrees_on_what_breaks_an_invariant_and_what_does_not(name: str, hl7: ReaderProcess) -> None:
    bad, good = CASES[name]
    for place, resource in enumerate(bad):
        assert not verdict_of(hl7, resource).accepted or (name, place) in UNSEEN_INVARIANTS, resource
    for resource in good:
        known = KNOWN_GOOD_ELSEWHERE.get(name)
        errors = [e for e in verdict_of(hl7, resource).errors if known is None or known not in e.text]
        assert not errors, lines(errors)


def test_whatever_mutant_hl7_rejects_the_table_rejects_but_for_named_reasons(hl7: ReaderProcess) -> None:
    verdicts: Counter[tuple[bool, bool]] = Counter()
    for mutant in mutants(seed=411, count=1000):
        try:
            write_json(mutant)
        except TypeError:
            continue
        verdict = verdict_of(hl7, mutant)
        refused = is_refused(mutant)
        verdicts[refused, not verdict.accepted] += 1
        if not refused:
            unexplained = [e for e in verdict.errors if not any(known in e.text for known in BEYOND_THE_TABLE)]
            assert not unexplained, (lines(unexplained), mutant)

    assert verdicts[True, True] > 500
    assert verdicts[False, False] > 50
