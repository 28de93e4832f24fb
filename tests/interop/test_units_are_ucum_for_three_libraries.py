"""Every unit that we name or send is UCUM for ucum-lhc and HL7's validator; ucumvert judges in tests/published."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from service.vocabulary.units import is_ucum
from tests.published.ucum_strings import HL7_TAKES_MORE, INVALID, OURS_TAKES_LESS, OURS_TAKES_MORE, VALID
from tests.support.made_resources import shipped_stages
from tests.support.measure_validation import Resource, is_unit_for_hl7
from tests.support.reader_process import ReaderProcess
from tests.support.ucum_lhc import UcumLhc
from tests.support.units_in_resources import units_in


@pytest.fixture(scope="module")
def lhc() -> Iterator[UcumLhc]:
    with UcumLhc() as library:
        yield library


@pytest.fixture(scope="module")
def our_units(ours: list[Resource]) -> set[str]:
    return {*shipped_stages().vocabulary.units.displays, *units_in(ours)}


@pytest.mark.node
def test_ucum_lhc_takes_every_unit_of_ours(lhc: UcumLhc, our_units: set[str]) -> None:
    assert len(our_units) > 40
    assert sorted(code for code in our_units if not lhc.is_unit(code)) == []


@pytest.mark.node
def test_ucum_lhc_agrees_on_what_is_a_unit_and_what_is_not(lhc: UcumLhc) -> None:
    strings = [*VALID, *INVALID, *OURS_TAKES_LESS, *OURS_TAKES_MORE]
    assert len(set(strings)) == len(strings) - len({*OURS_TAKES_LESS, *OURS_TAKES_MORE} & {*VALID, *INVALID}) >= 200
    ours = {code for code in strings if is_ucum(code)}
    theirs = {code for code in strings if lhc.is_unit(code)}
    assert ours - theirs == set(OURS_TAKES_MORE)
    assert theirs - ours == set(OURS_TAKES_LESS)


@pytest.mark.node
def test_ucum_lhc_refuses_what_is_often_written_instead_of_ucum(lhc: UcumLhc) -> None:
    for written, meant in shipped_stages().vocabulary.units.often_written.items():
        assert lhc.is_unit(meant), meant
        # `ml`, `C` and `cc`: the first two are UCUM, but for something that is rarely meant or as well written.
        assert not lhc.is_unit(written) or written in {"ml", "C"}, written


@pytest.mark.java
def test_hl7s_validator_takes_every_unit_of_ours_and_no_wrong_one_but_those_named(
    hl7: ReaderProcess, our_units: set[str]
) -> None:
    units = sorted(our_units)
    judged = is_unit_for_hl7(hl7, [*units, *INVALID])
    assert [code for code in units if not judged[code]] == []
    assert {code for code in INVALID if judged[code]} == set(HL7_TAKES_MORE)
