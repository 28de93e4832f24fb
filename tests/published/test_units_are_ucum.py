"""Units against UCUM's grammar and tables, as PyPI's ucumvert has them; two more judges are in tests/interop."""

from __future__ import annotations

import pytest

from service.vocabulary.units import is_ucum
from tests.published.ucum_strings import INVALID, OURS_TAKES_LESS, OURS_TAKES_MORE, VALID
from tests.support.generated_records import UNITS_BEYOND_THE_LIST
from tests.support.golden_resources import read_golden_resources
from tests.support.made_resources import shipped_stages
from tests.support.units_in_resources import units_in

UNITS = shipped_stages().vocabulary.units


@pytest.mark.parametrize("code", [*UNITS.displays, *UNITS_BEYOND_THE_LIST])
def test_a_unit_that_we_name_is_ucum(code: str) -> None:
    assert is_ucum(code)


def test_every_unit_in_a_golden_file_is_ucum_and_named() -> None:
    found = units_in(golden.resource for golden in read_golden_resources())
    assert found
    assert [code for code in sorted(found) if not is_ucum(code) or code not in UNITS.displays] == []


def test_what_is_often_written_instead_is_no_unit_of_ours_and_what_was_meant_is_one() -> None:
    for written, meant in UNITS.often_written.items():
        assert written not in UNITS.displays
        assert is_ucum(meant)


def test_the_lists_of_strings_are_judged_as_they_say() -> None:
    assert len({*VALID, *INVALID}) == len(VALID) + len(INVALID) >= 200
    assert [code for code in VALID if not is_ucum(code)] == []
    assert [code for code in INVALID if is_ucum(code)] == []
    assert all(is_ucum(code) for code in OURS_TAKES_MORE)
    assert not any(is_ucum(code) for code in OURS_TAKES_LESS)


@pytest.mark.parametrize("code", ["mcg", "bpm", "mmHg", "ohm", "joules", "", " ", "mg ", "m" * 41, "µg"])
def test_a_string_that_is_no_ucum_is_no_unit(code: str) -> None:
    assert not UNITS.is_unit(code)
