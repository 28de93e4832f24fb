"""The table against a reader that it was not written with: fhirkit (PyPI's fhirkit-rs), R4 4.0.1, structure only.

fhirkit accepted all of 10,824 definitions that HL7 published for R4, and rejected none wrongly, when it was
chosen as the oracle; it knows neither bindings nor reference targets nor invariants.
"""

from __future__ import annotations

import json
from collections import Counter
from typing import Any

import fhirkit
import pytest

from service.checking.check_resource import check_resource
from service.checking.table import INVARIANTS
from tests.checking.bad_resources import BAD_RESOURCES
from tests.checking.good_resources import GOOD_KINDS, good_resource
from tests.checking.mutants import mutants

SEED = 20311
COUNT = 600

STRICTER_THAN_FHIRKIT = frozenset(
    (
        "empty",  # json.html: an object or array has content; fhirkit lets {} and [] pass.
        "primitive",  # White space alone, impossible days, resource ids, urn:uuid and base64 in full.
    )
)
"""Structural rules of R4 by which the table alone may refuse a mutant."""

BEYOND_STRUCTURE = frozenset(
    ("binding", "reference-syntax", "reference-target", "unresolved", "sampled-data", "full-url")
)

INVARIANT_KEYS = frozenset(invariant.key for invariant in INVARIANTS.values())


def fhirkit_rejects(resource: dict[str, Any]) -> bool:
    return any(issue.severity == "error" for issue in fhirkit.validate(json.dumps(resource)))


def table_rules(resource: dict[str, Any]) -> set[str]:
    return {finding.rule for finding in check_resource(resource) if finding.severity == "error"}


@pytest.mark.parametrize("kind", GOOD_KINDS)
def test_fhirkit_reads_every_good_resource(kind: str) -> None:
    assert not fhirkit_rejects(good_resource(kind))


@pytest.mark.parametrize("make", [case[1] for case in BAD_RESOURCES], ids=[case[0] for case in BAD_RESOURCES])
def test_what_fhirkit_rejects_of_the_bad_resources_the_table_rejects(make: Any) -> None:
    resource = make()

    assert table_rules(resource) or not fhirkit_rejects(resource)


def test_whatever_mutant_fhirkit_rejects_the_table_rejects() -> None:
    verdicts: Counter[tuple[bool, bool]] = Counter()
    for mutant in mutants(SEED, COUNT):
        by_table, by_fhirkit = bool(table_rules(mutant)), fhirkit_rejects(mutant)
        verdicts[by_table, by_fhirkit] += 1
        assert by_table or not by_fhirkit, mutant

    # The comparison has sense only while both verdicts, and both readers' agreement on them, are common.
    assert verdicts[True, True] > COUNT // 2
    assert verdicts[False, False] > COUNT // 20


def test_what_the_table_alone_rejects_is_beyond_fhirkit_by_a_named_rule() -> None:
    for mutant in mutants(SEED, COUNT):
        rules = table_rules(mutant)
        if rules and not fhirkit_rejects(mutant):
            assert rules <= STRICTER_THAN_FHIRKIT | BEYOND_STRUCTURE | INVARIANT_KEYS, mutant
