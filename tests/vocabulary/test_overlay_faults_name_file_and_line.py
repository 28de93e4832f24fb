"""Whatever is wrong in an overlay stops the start with the overlay's file, the line and the reason; all at once."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from shutil import copytree

import pytest

from service.data_folders import data_folder
from service.making.stages import load_stages
from service.making.try_overlay import load_site_stages, try_examples
from service.mapping.load_mappings import load_mappings
from service.problems import WrongMapping
from service.vocabulary.mapping_data import read_mapping_data
from tests.support.load_vocabulary import load_vocabulary
from tests.support.overlays import SOURCE, write_overlay

OXYGEN = '"http://hl7.org/fhir/StructureDefinition/oxygensat"'
ASYSTOLE = '{system: SCT, code: "397829000", display: X, source: x}'
GOOD = "{system: HOSPITAL, code: X, display: X, source: invented}"
SYSTEMS = {"codes/systems.yaml": "add:\n  HOSPITAL: urn:example:hospital:codes\n"}

CASES: list[tuple[str, str, int, str]] = [
    ("event/rhythm.yaml", "resources: {}\n", 1, "not event/rhythm.yaml"),
    ("fragments.yaml", "identified: {}\n", 1, "not fragments.yaml"),
    ("common_fields.yaml", "note: {}\n", 1, "not common_fields.yaml"),
    ("events/coffee_break.yaml", "resources: {}\n", 1, "adds no files of its own"),
    ("codes/coffee.yaml", "concepts: {}\n", 1, "adds no files of its own"),
    ("events/remark.yaml", "name: observation\n", 1, "'name' is not known here"),
    ("events/remark.yaml", "fields:\n  text: {}\n", 2, "'fields' is not known here"),
    (
        "events/remark.yaml",
        "resources:\n  remarks: {drop: true}\n",
        2,
        "there is no resource of the role 'remarks'",
    ),
    ("events/remark.yaml", "resources:\n  remark: {drop: false}\n", 2, "only true is written here"),
    ("events/remark.yaml", "resources:\n  remark: {rename: note}\n", 2, "'rename' is not known here"),
    ("events/remark.yaml", "resources:\n  remark: {}\n", 2, "exactly one of these stands here: drop, add"),
    ("events/remark.yaml", "resources:\n  remark: {add: {}}\n", 2, "at least one of these stands here"),
    ("events/remark.yaml", "resources:\n  remark: {add: {status: final}}\n", 2, "'status' is not known here"),
    (
        "records/case.yaml",
        "resources:\n  patient: {drop: true}\n",
        2,
        "every resource of a case is about its patient",
    ),
    ("records/device.yaml", "resources:\n  device: {drop: true}\n", 2, "events and checks refer to the device"),
    ("spans/pacing_run.yaml", "resources:\n  span: {drop: true}\n", 2, "refer to its resource"),
    ("events/remark.yaml", "resources:\n  remark: {add: {meta: {profile: [shock]}}}\n", 2, "not an absolute URL"),
    (
        "events/vital_signs.yaml",
        f"resources:\n  spo2:\n    add:\n      meta:\n        profile: [{OXYGEN}]\n",
        5,
        "claimed already",
    ),
    ("events/remark.yaml", "resources:\n  remark: {add: {meta: {tag: []}}}\n", 2, "'tag' is not known here"),
    (
        "events/remark.yaml",
        "resources:\n  remark: {add: {category: [exam]}}\n",
        2,
        "is written <code TABLE.CONCEPT>",
    ),
    (
        "events/remark.yaml",
        "resources:\n  remark:\n    add:\n      category: [<code category.coffee>]\n",
        4,
        "there is no concept 'category.coffee'",
    ),
    (
        "events/shock_delivered.yaml",
        "resources:\n  shock: {add: {category: [<code category.exam>]}}\n",
        2,
        "a Procedure takes no further category",
    ),
    ("check_items/battery.yaml", "judgements:\n  battery_low: {off: true}\n", 2, "'off' is not known here"),
    ("check_items/battery.yaml", "judgements:\n  flat: {when: {}, source: x}\n", 2, "no judgement with the reason"),
    ("check_items/battery.yaml", "judgements:\n  battery_low: {source: x}\n", 2, "'when' is missing here"),
    (
        "check_items/battery.yaml",
        "judgements:\n  battery_low:\n    when: {field: charge, below: 9}\n    source: x\n",
        3,
        "there is no field charge here",
    ),
    ("codes/rhythm.yaml", "concepts:\n  vfib: {add_codings: []}\n", 2, "there is no concept of the table 'rhythm'"),
    ("codes/rhythm.yaml", "concepts:\n  asystole: {remove: true}\n", 2, "'remove' is not known here"),
    ("codes/rhythm.yaml", "concepts:\n  asystole: {text: Flat line}\n", 2, "'text' is not known here"),
    ("codes/rhythm.yaml", "concepts:\n  asystole: {replace_codings: []}\n", 2, "at least one coding is wanted"),
    (
        "codes/rhythm.yaml",
        "concepts:\n  asystole:\n    add_codings:\n      - {system: HOSPITAL, code: X, display: X}\n",
        4,
        "'source' is missing here",
    ),
    (
        "codes/rhythm.yaml",
        "concepts:\n  asystole:\n    add_codings:\n      - {system: HOSPITAL, code: X, display: X, source: ' '}\n",
        4,
        "every code needs its source",
    ),
    (
        "codes/rhythm.yaml",
        "concepts:\n  asystole:\n    add_codings:\n      - {system: WARD, code: X, display: X, source: x}\n",
        4,
        "the system 'WARD' is not named in codes/systems.yaml",
    ),
    (
        "codes/rhythm.yaml",
        "concepts:\n  asystole:\n    add_codings:\n      - {system: RESUS, code: X, display: X, source: x}\n",
        4,
        "RESUS holds what the service itself defines",
    ),
    (
        "codes/rhythm.yaml",
        f"concepts:\n  asystole:\n    add_codings:\n      - {ASYSTOLE}\n",
        4,
        "the concept has this code already",
    ),
    ("codes/rhythm.yaml", "add_concepts:\n  flutter: {}\n", 2, "rhythm_assessed.rhythm"),
    (
        "codes/pause_reason.yaml",
        f"add_concepts:\n  X-Ray: {{text: X, codings: [{GOOD}]}}\n",
        2,
        "is no word of a table",
    ),
    ("codes/pause_reason.yaml", "add_concepts:\n  x_ray: {text: X}\n", 2, "'codings' is missing here"),
    (
        "codes/pause_reason.yaml",
        f"add_concepts:\n  rhythm_check: {{text: X, codings: [{GOOD}]}}\n",
        2,
        "has the word 'rhythm_check' already",
    ),
    ("units.yaml", "displays:\n  pound force: lbf\n", 2, "is not a UCUM code"),
    ("units.yaml", "often_written:\n  J: joule\n", 2, "'often_written' is not known here"),
    ("completeness.yaml", "rules:\n  coffee-known: {off: true}\n", 2, "there is no rule 'coffee-known'"),
    (
        "completeness.yaml",
        "rules:\n  weight-known: {importance: vital}\n",
        2,
        "the importance is core or supplemental",
    ),
    ("completeness.yaml", "rules:\n  weight-known: {ask: Weight?}\n", 2, "'ask' is not known here"),
    ("events/remark.yaml", "resources: [\n", 2, "not YAML"),
    ("events/remark.yaml", "resources: {}\nresources: {}\n", 2, "stands here twice"),
    ("events/remark.yml", "resources: {}\n", 1, "ends in .yaml"),
]


def _faults(tmp_path: Path, files: Mapping[str, str]) -> tuple[Path, list[tuple[Path, int, str]]]:
    overlay = write_overlay(tmp_path, files)
    with pytest.raises(WrongMapping) as wrong:
        load_site_stages(SOURCE, overlay)
    return overlay, [(fault.file, fault.line, fault.reason) for fault in wrong.value.faults]


def _first_faults(tmp_path: Path, files: Mapping[str, str]) -> tuple[Path, list[tuple[Path, int, str]]]:
    """Return the faults of reading the overlay, or else of compiling with it, which takes longer."""
    overlay = write_overlay(tmp_path, files)
    try:
        faults = read_mapping_data(data_folder("mappings"), overlay).faults
    except WrongMapping as wrong:
        faults = wrong.faults
    if not faults:
        return _faults(tmp_path, files)
    return overlay, [(fault.file, fault.line, fault.reason) for fault in faults]


@pytest.mark.parametrize(("file", "text", "line", "reason"), CASES)
def test_a_fault_names_the_overlays_file_its_line_and_the_reason(
    file: str, text: str, line: int, reason: str, tmp_path: Path
) -> None:
    overlay, faults = _first_faults(tmp_path, {**SYSTEMS, file: text})
    assert [fault[:2] for fault in faults] == [(overlay / file, line)], faults
    assert reason in faults[0][2]


@pytest.mark.parametrize(
    ("alias", "uri", "reason"),
    [
        ("SCT", "urn:example:other", "is named already"),
        ("HOSPITAL", "codes of ours", "not an absolute URI"),
        ("HOSPITAL", "http://loinc.org", "this is the system 'LOINC' already"),
        ("our codes", "urn:example:ours", "is no alias of a system"),
    ],
)
def test_a_system_gets_no_second_name_and_no_second_meaning(
    alias: str, uri: str, reason: str, tmp_path: Path
) -> None:
    overlay, faults = _first_faults(tmp_path, {"codes/systems.yaml": f'add:\n  {alias}: "{uri}"\n'})
    assert [fault[:2] for fault in faults] == [(overlay / "codes/systems.yaml", 2)]
    assert reason in faults[0][2]


def test_all_faults_of_all_files_are_told_at_once(tmp_path: Path) -> None:
    files = {
        "codes/rhythm.yaml": "concepts:\n  vfib: {add_codings: []}\n  asystole: {text: Flat}\n",
        "events/remark.yaml": "resources:\n  remark:\n    add:\n      category: [<code category.coffee>]\n",
        "events/shock_delivered.yaml": "resources:\n  shocks: {drop: true}\n",
        "completeness.yaml": "rules:\n  weight-known: {importance: vital}\n",
        "menu.yaml": "coffee: black\n",
    }
    overlay, faults = _faults(tmp_path, files)
    assert {(fault[0].relative_to(overlay).as_posix(), fault[1]) for fault in faults} == {
        ("codes/rhythm.yaml", 2),
        ("codes/rhythm.yaml", 3),
        ("events/remark.yaml", 4),
        ("events/shock_delivered.yaml", 2),
        ("completeness.yaml", 2),
        ("menu.yaml", 1),
    }
    assert len(faults) == 6


def test_an_overlay_that_is_not_there_stops_the_start(tmp_path: Path) -> None:
    with pytest.raises(WrongMapping) as wrong:
        load_stages(SOURCE, tmp_path / "nowhere")
    assert "there is no such folder" in str(wrong.value)


def test_a_readme_in_an_overlay_is_no_fault(tmp_path: Path) -> None:
    overlay = write_overlay(tmp_path, {**SYSTEMS, "README.md": "Ours.\n", ".gitignore": "*\n"})
    assert len(load_site_stages(SOURCE, overlay).vocabulary.data.changes) == 1


def test_what_compiles_but_breaks_fhir_is_found_at_the_start_by_the_line_that_made_it(tmp_path: Path) -> None:
    # FHIR's `code` takes no two spaces in a row; no compiler of ours looks at that, the check of the resource does.
    text = 'concepts:\n  ventricular_fibrillation:\n    add_codings:\n      - {system: HOSPITAL, code: "V  F",'
    files = {**SYSTEMS, "codes/rhythm.yaml": f"{text} display: VF, source: invented}}\n"}
    overlay, faults = _faults(tmp_path, files)
    assert {fault[:2] for fault in faults} == {(overlay / "codes/rhythm.yaml", 4)}
    assert "rhythm_assessed would be refused: Observation.valueCodeableConcept.coding[2].code" in str(faults)


def test_the_trial_names_the_line_of_a_shipped_template_too(tmp_path: Path) -> None:
    folder = copytree(data_folder("mappings"), tmp_path / "mappings")
    fragments = folder / "fragments.yaml"
    text = fragments.read_text(encoding="utf-8")
    line = text[: text.index("  status: completed")].count("\n") + 1
    fragments.write_text(text.replace("  status: completed", "  status: finished", 1), encoding="utf-8")
    vocabulary = load_vocabulary(folder)
    stages = replace(load_stages(SOURCE), vocabulary=vocabulary, mappings=load_mappings(vocabulary))
    with pytest.raises(WrongMapping) as wrong:
        try_examples(stages)
    assert {(fault.file, fault.line) for fault in wrong.value.faults} == {(fragments, line)}
