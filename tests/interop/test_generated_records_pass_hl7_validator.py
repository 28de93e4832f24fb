"""HL7's own validator reads every example, every golden file and thousands of generated variations.

`pytest tests/interop/test_generated_records_pass_hl7_validator.py -m java` proves it anew; docs/validation.md shows
the numbers, which are written by `python -m tests.support.write_validation_page` and compared here.
"""

from __future__ import annotations

import pytest

from tests.checking.more_bad_resources import bad_resources_by_category
from tests.support.known_differences import (
    BAD_BUT_TAKEN_BY_BOTH,
    BAD_BUT_TAKEN_BY_HL7,
    BAD_BUT_TAKEN_BY_THE_TABLE,
    GOOD_BUT_REFUSED_BY_THE_TABLE,
)
from tests.support.made_resources import shipped_stages
from tests.support.measure_validation import READERS, Readers
from tests.support.reader_process import ReaderProcess
from tests.support.validation_page import PAGE, read_block
from tests.support.validator_remarks import REMARKS, count_remarks, unexplained
from tests.support.write_validation_page import GENERATED, Measured, measure

pytestmark = pytest.mark.java


@pytest.fixture(scope="module")
def readers(hl7_with_package: ReaderProcess, npm: ReaderProcess) -> Readers:
    return Readers(hl7_with_package, npm)


@pytest.fixture(scope="module")
def measured(readers: Readers) -> Measured:
    return measure(readers)


def test_no_reader_refuses_any_of_our_resources(measured: Measured) -> None:
    for each in measured.sets:
        errors = sorted({str(issue) for issue in each.issues if issue.is_error})
        assert errors == [], each.name
        assert dict(each.refused) == dict.fromkeys(READERS, 0), each.name


def test_two_thousand_variations_of_every_type_that_we_make_are_read(measured: Measured) -> None:
    [generated] = [each for each in measured.sets if each.name == GENERATED]
    assert generated.resources >= 2000
    assert set(generated.types) == shipped_stages().mappings.resource_types


def test_every_remark_that_is_no_error_is_explained_and_every_explanation_is_needed(measured: Measured) -> None:
    issues = [issue for each in measured.sets for issue in each.issues]
    assert unexplained(issues) == []
    counts = count_remarks(issues)
    assert [remark.name for remark in REMARKS if not counts[remark.name]] == []


def test_an_unknown_remark_would_be_noticed(readers: Readers) -> None:
    odd = {"resourceType": "Observation", "status": "final", "code": {"text": "x"}, "valueString": "x"}
    [verdict] = readers.hl7.validate([odd])
    assert any("should have an effective" in said for said in unexplained(verdict.issues))


def test_every_bad_resource_is_refused_but_for_those_of_terminology(measured: Measured) -> None:
    numbers = [number for some in measured.bad.by_category.values() for number in some]
    assert len(numbers) == len(set(numbers)) >= 100
    assert measured.bad.taken_by("our table") == {*BAD_BUT_TAKEN_BY_THE_TABLE, *BAD_BUT_TAKEN_BY_BOTH}


def test_where_hl7s_validator_takes_a_bad_resource_the_reason_is_known(
    measured: Measured,
) -> None:
    by_hl7 = {number for numbers, _ in BAD_BUT_TAKEN_BY_HL7.values() for number in numbers}
    assert measured.bad.taken_by("HL7's validator") == {*by_hl7, *BAD_BUT_TAKEN_BY_BOTH}


def test_nothing_good_that_nobody_here_wrote_is_refused_but_for_a_known_reason(measured: Measured) -> None:
    known = {path for paths, _ in GOOD_BUT_REFUSED_BY_THE_TABLE.values() for path in paths}
    assert measured.held_out.differences == known
    assert sum(map(len, measured.held_out.taken.values())) > 1000


def test_the_page_shows_what_was_measured(measured: Measured) -> None:
    page = PAGE.read_text(encoding="utf-8")
    stale = [name for name, content in measured.blocks().items() if read_block(page, name) != content]
    assert stale == [], "run python -m tests.support.write_validation_page and read the diff"


def test_the_categories_hold_all_bad_resources_once() -> None:
    names = [case[0] for cases in bad_resources_by_category().values() for case in cases]
    assert sorted(int(name.split()[0]) for name in names) == list(range(1, len(names) + 1))
