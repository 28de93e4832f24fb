"""docs/validation.md shows the explained remarks and differences as the suite holds them; no reader is needed."""

from __future__ import annotations

import re

from service.checking.check_resource import WHAT_IS_NOT_CHECKED
from tests.support.measure_validation import READERS, differences_block
from tests.support.validation_page import PAGE, block_names, read_block
from tests.support.validator_remarks import REMARKS
from tests.support.vital_sign_profiles import VITAL_SIGNS

TEXT = PAGE.read_text(encoding="utf-8")


def rows(block: str) -> list[list[str]]:
    lines = [line for line in read_block(TEXT, block).splitlines() if line.startswith("|")]
    return [[cell.strip() for cell in line.strip("|").split(" | ")] for line in lines[2:]]


def test_every_explained_remark_stands_on_the_page_with_its_reason() -> None:
    shown = [(row[0], row[1], row[-1]) for row in rows("remarks")]
    assert shown == [(remark.name, remark.severity, remark.why) for remark in REMARKS]


def test_every_known_difference_stands_on_the_page_with_its_reason() -> None:
    assert read_block(TEXT, "differences") == differences_block()


def test_no_block_is_left_unmeasured() -> None:
    names = block_names(TEXT)
    assert names == [
        "sets",
        "remarks",
        "vital signs",
        "units",
        "bad resources",
        "held-out resources",
        "differences",
    ]
    assert [name for name in names if "nothing yet" in read_block(TEXT, name)] == []


def test_the_page_shows_that_no_reader_refuses_anything_of_ours() -> None:
    sets = [row for row in rows("sets") if re.fullmatch("[0-9]+", row[1]) and len(row) == 2 + len(READERS)]
    assert len(sets) == 2
    assert all(row[2:] == ["0"] * len(READERS) for row in sets)
    assert sum(int(row[1]) for row in sets) >= 2000


def test_the_page_names_every_official_profile_that_our_vital_signs_claim() -> None:
    assert [row[1].strip("`") for row in rows("vital signs")] == [sign.url for sign in VITAL_SIGNS]


def test_what_the_page_says_cannot_be_proven_is_what_the_table_does_not_check() -> None:
    unproven = TEXT.split("## What cannot be proven here")[1]
    assert "LOINC" in unproven
    assert any("LOINC" in said for said in WHAT_IS_NOT_CHECKED)
