"""HL7's own validator and the table over the same resources: agreed, or the reason for the difference is here."""

from __future__ import annotations

from collections import Counter
from typing import Any

import pytest

from service.checking.check_resource import check_resource
from service.exact_json import write_json
from tests.checking.bad_resources import BAD_RESOURCES
from tests.checking.good_resources import GOOD_KINDS, good_resource
from tests.checking.mutants import mutants
from tests.checking.test_invariants import CASES
from tests.support.known_differences import (
    BAD_BUT_TAKEN_BY_BOTH,
    BAD_BUT_TAKEN_BY_HL7,
    BEYOND_THE_TABLE,
    NOT_LOOKED_UP,
    UNSEEN_INVARIANTS,
)
from tests.support.reader_process import ReaderProcess
from tests.support.verdict import Verdict, lines

pytestmark = pytest.mark.java

KNOWN_GOOD_ELSEWHERE = {
    # The other entry of this document is not referred to, which is the validator's own rule for documents.
    "bdl-11": "isn't reachable",
    # A made-up profile, and an anchor in a narrative, that lead nowhere.
    "dom-4": "could not be found",
    "txt-2": "does not resolve",
}

TAKEN_BY_HL7 = {number for numbers, _ in BAD_BUT_TAKEN_BY_HL7.values() for number in numbers} | set(
    BAD_BUT_TAKEN_BY_BOTH
)


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

    assert accepted <= TAKEN_BY_HL7


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
