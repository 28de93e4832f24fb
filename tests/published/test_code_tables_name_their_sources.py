"""Every code that ships names where it was read and keeps the form that its system prescribes.

Whether a code is still active in the current release of its system is not proven here: that takes a terminology
server.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from service.vocabulary.code_tables import Coding
from service.vocabulary.units import is_ucum
from service.vocabulary.yaml_tree import Located, load_yaml
from tests.support.load_vocabulary import load_vocabulary

FOLDER = Path(__file__).parents[2] / "mappings"
SNOMED = "http://snomed.info/sct"
LOINC = "http://loinc.org"
RESUS = "https://resus-fhir.example/fhir/CodeSystem/resuscitation"
FORMS = {
    SNOMED: r"[1-9]\d{5,17}",
    LOINC: r"[1-9]\d{0,4}-\d",
    "urn:iso:std:iso:11073:10101": r"[1-9]\d{4,5}",
    "http://www.nlm.nih.gov/research/umls/rxnorm": r"[1-9]\d{0,7}",
    "http://www.whocc.no/atc": r"[A-Z]\d{2}[A-Z]{2}\d{2}",
    "https://profiles.ihe.net/PCC/mPSC/CodeSystem/NEMSIS": r"\d{7}",
    "http://terminology.hl7.org/CodeSystem/observation-category": r"[a-z]+(-[a-z]+)*",
    "http://terminology.hl7.org/CodeSystem/provenance-participant-type": r"[a-z]+",
    "http://terminology.hl7.org/CodeSystem/v3-DataOperation": r"[A-Z]+",
    RESUS: r"[a-z0-9]+(-[a-z0-9]+)*",
}
# Codes that must not ship, each with the reason why it is tempting and wrong.
BANNED = {
    (SNOMED, "233169004"): "groups procedures on implanted devices; it is no shock of an automated defibrillator",
    (SNOMED, "29396008"): "is a breathing resuscitator; it is no chest compressor",
    (SNOMED, "392188009"): "contradicts 430824005, which the better source gives for intraosseous access",
    (SNOMED, "448923006"): "its one source contradicts itself",
    ("urn:iso:std:iso:11073:10101", "730752"): "is a setting of implants",
    ("urn:iso:std:iso:11073:10101", "721792"): "is a setting of implants",
    ("urn:iso:std:iso:11073:10101", "151780"): "was never seen beside its display",
}

# Tables of the Verhoeff check (J. Verhoeff, Error Detecting Decimal Codes, 1969): the dihedral group of ten.
_PERMUTATION = (1, 5, 7, 6, 2, 8, 3, 0, 9, 4)


def _product(left: int, right: int) -> int:
    if left < 5:
        return (left + right) % 5 if right < 5 else 5 + (left + right - 5) % 5
    return 5 + (left - right) % 5 if right < 5 else (left - right) % 5


def _verhoeff_holds(digits: str) -> bool:
    check = 0
    for position, digit in enumerate(reversed(digits)):
        value = int(digit)
        for _ in range(position % 8):
            value = _PERMUTATION[value]
        check = _product(check, value)
    return check == 0


def _loinc_check_digit_holds(code: str) -> bool:
    """Say whether the digit after the hyphen is the modulus-10 digit of those before it (LOINC Users' Guide)."""
    digits, _, check = code.partition("-")
    total = 0
    for position, digit in enumerate(reversed(digits)):
        doubled = int(digit) * (2 if position % 2 == 0 else 1)
        total += doubled // 10 + doubled % 10
    return (10 - total % 10) % 10 == int(check)


@cache
def _codings() -> tuple[tuple[str, Coding], ...]:
    tables = load_vocabulary(FOLDER).tables
    found = tuple(
        (f"{table.name}.{concept.name}", coding)
        for table in tables.values()
        for concept in table.concepts.values()
        for coding in concept.codings
    )
    assert found, "no coding was read"
    return found


def _scalars(place: Located) -> Iterator[tuple[str, Any]]:
    """Yield the name and the value of every scalar in a document."""
    if isinstance(place.value, dict):
        for name, member in place.value.items():
            if isinstance(member.value, dict | list):
                yield from _scalars(member)
            else:
                yield name, member.value
    elif isinstance(place.value, list):
        for item in place.value:
            yield from _scalars(item)


def _literal_codings(place: Located) -> Iterator[dict[str, str]]:
    """Yield every coding that a template writes out instead of taking it from a table."""
    if isinstance(place.value, dict):
        if {"system", "code", "display"} <= place.value.keys():
            yield {name: place.value[name].value for name in ("system", "code", "display")}
        for member in place.value.values():
            yield from _literal_codings(member)
    elif isinstance(place.value, list):
        for item in place.value:
            yield from _literal_codings(item)


def _template_files() -> list[Path]:
    files = [file for file in sorted(FOLDER.rglob("*.yaml")) if file.parent.name != "codes"]
    assert files
    return files


def test_every_concept_has_a_coding_with_a_source() -> None:
    for table in load_vocabulary(FOLDER).tables.values():
        for concept in table.concepts.values():
            assert concept.codings, f"{table.name}.{concept.name}"
    for name, coding in _codings():
        assert len(coding.source.strip()) >= len("this project"), name
        assert not re.search(r"to be filled|todo|from memory|unknown", coding.source, re.IGNORECASE), name


def test_only_codes_of_our_own_name_this_project_as_their_source() -> None:
    for name, coding in _codings():
        assert (coding.source == "this project") == (coding.system == RESUS), name


def test_every_code_of_our_own_is_defined_and_stands_for_one_thing() -> None:
    seen: dict[str, str] = {}
    for file in sorted((FOLDER / "codes").glob("*.yaml")):
        if file.name == "systems.yaml":
            continue
        for name, concept in load_yaml(file).required("concepts").members().items():
            members = concept.members()
            own = [
                item.required("code").text()
                for item in members["codings"].items()
                if item.required("system").text() == "RESUS"
            ]
            assert len(own) <= 1, name
            assert bool(own) == ("definition" in members), name
            for code in own:
                assert code not in seen, f"{code} stands for {seen[code]} and {file.stem}.{name}"
                seen[code] = f"{file.stem}.{name}"
    assert seen


def test_every_system_is_known_here_and_used() -> None:
    named = {uri.text() for uri in load_yaml(FOLDER / "codes" / "systems.yaml").members().values()}
    assert named == set(FORMS) == {coding.system for _, coding in _codings()}


def test_every_code_has_the_form_of_its_system() -> None:
    for name, coding in _codings():
        assert re.fullmatch(FORMS[coding.system], coding.code), f"{name}: {coding.code}"


def test_one_code_has_one_display_everywhere() -> None:
    displays: dict[tuple[str, str], str] = {}
    for name, coding in _codings():
        assert displays.setdefault((coding.system, coding.code), coding.display) == coding.display, name


@pytest.mark.parametrize("wrong", ["89666001", "98666000", "426220080"])
def test_the_verhoeff_check_sees_a_wrong_and_a_swapped_digit(wrong: str) -> None:
    assert not _verhoeff_holds(wrong)


def test_every_snomed_code_passes_the_verhoeff_check() -> None:
    codes = [coding.code for _, coding in _codings() if coding.system == SNOMED]
    assert codes
    assert [code for code in codes if not _verhoeff_holds(code)] == []


def test_no_snomed_code_belongs_to_a_national_extension() -> None:
    # The partition identifier stands before the check digit: 00 is a concept of the international edition, 10 one
    # of an extension, whose seven-digit namespace stands before it (SNOMED CT Release File Specification).
    for name, coding in _codings():
        if coding.system == SNOMED:
            assert coding.code[-3:-1] == "00", f"{name}: {coding.code}"


@pytest.mark.parametrize("wrong", ["8867-5", "8876-4", "88670-4"])
def test_the_loinc_check_sees_a_wrong_and_a_swapped_digit(wrong: str) -> None:
    assert not _loinc_check_digit_holds(wrong)


def test_every_loinc_code_passes_its_check_digit() -> None:
    codes = [coding.code for _, coding in _codings() if coding.system == LOINC]
    assert codes
    assert [code for code in codes if not _loinc_check_digit_holds(code)] == []


def test_no_code_ships_that_is_known_to_be_wrong() -> None:
    for name, coding in _codings():
        assert (coding.system, coding.code) not in BANNED, name


def test_a_coding_that_a_template_writes_out_is_one_of_the_tables() -> None:
    known = [coding.as_fhir() for _, coding in _codings()]
    written = [coding for file in _template_files() for coding in _literal_codings(load_yaml(file))]
    written = [coding for coding in written if not str(coding["system"]).startswith("urn:example:")]
    assert written
    assert [coding for coding in written if coding not in known] == []


def test_every_unit_is_read_by_a_ucum_parser() -> None:
    units = load_vocabulary(FOLDER).units
    named = {*units.displays, *units.often_written.values()}
    for file in _template_files():
        if file.name != "units.yaml":
            named |= {str(value) for name, value in _scalars(load_yaml(file)) if name in ("unit", "dose_unit")}
    assert [unit for unit in sorted(named) if not is_ucum(unit)] == []
    # What is often written instead is listed because it is not what was meant.
    assert set(units.often_written) & set(units.displays) == set()
