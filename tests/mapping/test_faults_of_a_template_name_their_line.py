"""What a template asks for and the record does not have stops the start, with file, line and reason."""

from __future__ import annotations

from pathlib import Path
from shutil import copytree

import pytest

from service.data_folders import data_folder
from service.mapping.load_mappings import load_mappings
from service.problems import MappingFault, WrongMapping
from service.vocabulary.load_vocabulary import read_vocabulary
from service.vocabulary.mapping_data import read_mapping_data

FAULTS = [
    ("events/rhythm_assessed.yaml", "<rhythm as concept>", "<rythm as concept>", "there is no field 'rythm' here"),
    (
        "events/rhythm_assessed.yaml",
        "<rhythm as concept>",
        "<rhythm as boolean>",
        "cannot be written as 'boolean'",
    ),
    ("events/rhythm_assessed.yaml", "<why-absent rhythm>", "<why-absent rythm>", "there is no field 'rythm' here"),
    (
        "events/rhythm_assessed.yaml",
        "observation.cardiac_rhythm",
        "observation.x",
        "there is no concept 'observation.x'",
    ),
    (
        "events/shock_delivered.yaml",
        "<reference shock>",
        "<reference chock>",
        "there is nothing called 'chock' to refer to",
    ),
    ("events/shock_delivered.yaml", "<waveform as concept>", "<waveform.colour>", "has the attribute 'colour'"),
    (
        "events/ecg_strip.yaml",
        "when: {absent: segments}",
        "when: {absent: segment}",
        "there is no field 'segment' here",
    ),
    (
        "events/medication_given.yaml",
        "as quantity in dose_unit",
        "as quantity in dose_value",
        "does not hold a unit",
    ),
    (
        "events/observation_recorded.yaml",
        "<value as boolean>",
        "<value as coding>",
        "an observed value is written as",
    ),
    ("fragments.yaml", "{present: recorded_by}", "{present: recorded}", "there is no field 'recorded' here"),
    ("fragments.yaml", "recorded_by.name or", "recorded_by.nome or", "the field 'recorded_by' has no part 'nome'"),
    ("records/check.yaml", "checked_by.name or", "checked_by.nome or", "the field 'checked_by' has no part 'nome'"),
]


def _faults(folder: Path) -> list[MappingFault]:
    with pytest.raises(WrongMapping) as wrong:
        load_mappings(read_vocabulary(read_mapping_data(folder)))
    return list(wrong.value.faults)


def _broken(folder: Path, name: str, right: str, wrong: str) -> int:
    """Break one line of a copy of the mappings, and return its number."""
    file = folder / name
    text = file.read_text(encoding="utf-8")
    begin = text.index(right)
    file.write_text(text[:begin] + wrong + text[begin + len(right) :], encoding="utf-8")
    return text[:begin].count("\n") + 1


@pytest.mark.parametrize(("name", "right", "wrong", "reason"), FAULTS)
def test_a_fault_names_file_line_and_reason_once(
    name: str, right: str, wrong: str, reason: str, tmp_path: Path
) -> None:
    folder = copytree(data_folder("mappings"), tmp_path / "mappings")
    line = _broken(folder, name, right, wrong)
    faults = _faults(folder)
    assert [(fault.file, fault.line) for fault in faults] == [(folder / name, line)], faults
    assert reason in faults[0].reason


def test_a_field_that_no_line_uses_is_named_where_it_is_defined(tmp_path: Path) -> None:
    folder = copytree(data_folder("mappings"), tmp_path / "mappings")
    for name, right, wrong in (
        ("events/shock_delivered.yaml", "valueInteger: <shock_number>", "valueBoolean: true"),
        ("events/ecg_strip.yaml", "focus: [<document_references>]", "status: final"),
    ):
        _broken(folder, name, right, wrong)
    _broken(folder, "events/ecg_strip.yaml", "      focus: [<document_references>]\n", "")
    faults = {(fault.file.name, fault.reason) for fault in _faults(folder)}
    unused = "no line of the mapping uses the field {!r}, so its value would be lost"
    assert faults == {
        ("shock_delivered.yaml", unused.format("shock_number")),
        ("ecg_strip.yaml", unused.format("documents")),
    }
