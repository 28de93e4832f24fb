"""An overlay changes exactly what it says, and lists it; every example still passes the checks."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from service.checking.check_resource import check_resource
from service.data_folders import data_folder
from service.mapping.apply_mapping import RecordMapping
from service.pipeline.example_records import (
    example_event,
    make_case_records,
    make_check_records,
    make_examples,
    make_records_of_kind,
)
from service.pipeline.keep_resources import RecordResource
from service.pipeline.stages import Stages, load_stages
from service.pipeline.try_overlay import load_site_stages
from service.readiness.judge_check import judge_check
from service.records.references import references_in
from tests.support.overlays import SHIPPED_OVERLAY, SOURCE, with_overlay

SYSTEMS = "add:\n  HOSPITAL: urn:example:hospital:codes\n"
VF = "{system: HOSPITAL, code: VF-1, display: VF, source: invented}"


def _bodies(stages: Stages, kind: str) -> dict[str, dict[str, Any]]:
    return {one.made.role: one.made.body for one in make_records_of_kind(stages, kind)}


@pytest.fixture(scope="module")
def base() -> Stages:
    return load_stages(SOURCE)


@pytest.fixture(scope="module")
def site() -> Stages:
    return load_site_stages(SOURCE, SHIPPED_OVERLAY)


def test_an_added_coding_stands_after_those_of_the_service(tmp_path: Path, base: Stages) -> None:
    files = {
        "codes/systems.yaml": SYSTEMS,
        "codes/rhythm.yaml": f"concepts: {{ventricular_fibrillation: {{add_codings: [{VF}]}}}}\n",
    }
    before = _bodies(base, "rhythm_assessed")["rhythm"]["valueCodeableConcept"]
    after = _bodies(with_overlay(tmp_path, files), "rhythm_assessed")["rhythm"]["valueCodeableConcept"]
    added = {"system": "urn:example:hospital:codes", "code": "VF-1", "display": "VF"}
    assert after == {"coding": [*before["coding"], added], "text": before["text"]}


def test_replaced_codings_leave_none_of_those_of_the_service(tmp_path: Path) -> None:
    files = {
        "codes/systems.yaml": SYSTEMS,
        "codes/rhythm.yaml": f"concepts: {{ventricular_fibrillation: {{replace_codings: [{VF}]}}}}\n",
    }
    stages = with_overlay(tmp_path, files)
    concept = _bodies(stages, "rhythm_assessed")["rhythm"]["valueCodeableConcept"]
    assert [coding["code"] for coding in concept["coding"]] == ["VF-1"]
    assert [str(change) for change in stages.vocabulary.data.changes] == [
        "systems: + HOSPITAL urn:example:hospital:codes",
        "rhythm.ventricular_fibrillation: codings SCT 71908006, MDC 665376 replaced by HOSPITAL VF-1",
    ]


def test_a_claimed_profile_stands_beside_those_that_the_template_claims(tmp_path: Path) -> None:
    own = "https://fhir.hospital.example/StructureDefinition/heart-rate"
    text = f"resources: {{heart_rate: {{add: {{meta: {{profile: [{own}]}}}}}}}}\n"
    bodies = _bodies(with_overlay(tmp_path, {"events/vital_signs.yaml": text}), "vital_signs")
    assert bodies["heart_rate"]["meta"]["profile"] == ["http://hl7.org/fhir/StructureDefinition/heartrate", own]
    assert own not in bodies["respiratory_rate"]["meta"]["profile"]


def test_an_added_category_stands_beside_the_inherited_one(tmp_path: Path, base: Stages) -> None:
    text = "resources: {rhythm: {add: {category: [<code category.procedure>]}}}\n"
    stages = with_overlay(tmp_path, {"events/rhythm_assessed.yaml": text})
    before = _bodies(base, "rhythm_assessed")["rhythm"]["category"]
    after = _bodies(stages, "rhythm_assessed")["rhythm"]["category"]
    assert after == [*before, stages.vocabulary.tables["category"].concepts["procedure"].codeable_concept]


def test_a_dropped_resource_is_gone_with_all_references_to_it(tmp_path: Path, base: Stages) -> None:
    files = {"events/shock_delivered.yaml": "resources: {shock: {drop: true}}\n"}
    stages = with_overlay(tmp_path, files)
    before, after = _bodies(base, "shock_delivered"), _bodies(stages, "shock_delivered")
    assert set(after) == set(before) - {"shock"}
    assert before["details"]["partOf"] == [{"reference": f"Procedure/{before['shock']['id']}"}]
    assert "partOf" not in after["details"]
    assert after["provenance"]["target"] == [{"reference": f"Observation/{after['details']['id']}"}]


def test_a_record_of_which_everything_is_dropped_makes_no_provenance_either(tmp_path: Path) -> None:
    stages = with_overlay(tmp_path, {"events/remark.yaml": "resources: {remark: {drop: true}}\n"})
    assert make_records_of_kind(stages, "remark") == []
    least = {"id": "e-1", "kind": "vital_signs", "at": "2031-03-02T10:00:00+01:00"}
    dropped = with_overlay(tmp_path, {"events/vital_signs.yaml": "resources: {set: {drop: true}}\n"})
    assert make_records_of_kind(dropped, "vital_signs", least) == []
    assert "provenance" in _bodies(dropped, "vital_signs")


def test_nothing_that_is_not_named_changes(tmp_path: Path, base: Stages) -> None:
    stages = with_overlay(tmp_path, {"events/shock_delivered.yaml": "resources: {details: {drop: true}}\n"})
    for kind in base.vocabulary.events:
        if kind != "shock_delivered":
            assert _bodies(stages, kind) == _bodies(base, kind), kind


def test_an_open_field_takes_an_added_word_with_its_code(tmp_path: Path) -> None:
    coding = "{system: HOSPITAL, code: P-9, display: Cassette, source: invented}"
    files = {
        "codes/systems.yaml": SYSTEMS,
        "codes/pause_reason.yaml": f"add_concepts: {{cassette: {{text: A cassette, codings: [{coding}]}}}}\n",
    }
    stages = with_overlay(tmp_path, files)
    event = {**example_event(stages, "compressions_paused"), "reason": "cassette"}
    bodies = [one.made.body for one in make_records_of_kind(stages, "compressions_paused", event)]
    assert "P-9" in str(bodies)


def test_a_unit_is_shown_as_the_overlay_wants_and_keeps_its_code(tmp_path: Path) -> None:
    stages = with_overlay(tmp_path, {"units.yaml": "displays: {Ohm: ohm, bar: bar}\n"})
    assert stages.vocabulary.units.display("Ohm") == "ohm"
    assert [str(change) for change in stages.vocabulary.data.changes] == [
        "units: Ohm is shown as 'ohm', not as 'Ω'",
        "units: + bar, shown as 'bar'",
    ]


def test_a_completeness_rule_is_switched_off_or_weighted_otherwise(tmp_path: Path, base: Stages) -> None:
    text = "rules: {weight-known: {importance: supplemental}, location-known: {off: true}}\n"
    stages = with_overlay(tmp_path, {"completeness.yaml": text})
    before = {rule.name: rule.importance for rule in base.rules.rules}
    after = {rule.name: rule.importance for rule in stages.rules.rules}
    assert before["weight-known"] == before["location-known"] == "core"
    assert after == {**{name: one for name, one in before.items() if name != "location-known"},
                     "weight-known": "supplemental"}  # fmt: skip


def test_a_limit_of_a_judgement_is_the_sites_own(tmp_path: Path, base: Stages) -> None:
    text = """\
        judgements:
          battery_low: {when: {field: charge_percent, below: 40}, source: invented policy}
        """
    stages = with_overlay(tmp_path, {"check_items/battery.yaml": text})
    items, at = {"battery": {"charge_percent": 30}}, "2031-03-02T07:00:00+01:00"
    assert judge_check(items, base.vocabulary.check_items, at).outcome == "ready"
    assert judge_check(items, stages.vocabulary.check_items, at).outcome == "ready_with_fault"
    assert judge_check({"battery": {"charge_percent": 3}}, stages.vocabulary.check_items, at).outcome == "not_ready"


def test_every_example_under_the_shipped_overlay_is_valid_and_refers_to_nothing_that_is_gone(site: Stages) -> None:
    names = []
    for name, made in make_examples(site, data_folder("examples")):
        names.append(name)
        there = {one.made.reference for one in made}
        for one in made:
            findings = [finding for finding in check_resource(one.made.body) if finding.severity == "error"]
            assert findings == [], (name, one.made.rule)
            assert set(references_in(one.made.body)) <= there, (name, one.made.rule)
    assert len(names) > 60


def _without(stages: Stages, file: str, role: str) -> Stages:
    """Return stages without one resource, as an overlay that drops it leaves them, but compiled only once."""
    folder, _, name = file.removesuffix(".yaml").partition("/")
    mappings = stages.mappings

    def drop(mapping: RecordMapping) -> RecordMapping:
        return replace(mapping, templates=tuple(one for one in mapping.templates if one.role != role))

    changed: dict[str, Any] = {name: drop(getattr(mappings, name))} if folder == "records" else {
        folder: {**getattr(mappings, folder), name: drop(getattr(mappings, folder)[name])}
    }  # fmt: skip
    return replace(stages, mappings=replace(mappings, **changed), frames={})


def _droppable(stages: Stages) -> list[tuple[str, str]]:
    mappings = stages.mappings
    everything = [*mappings.events.values(), *mappings.check_items.values(), mappings.case, mappings.check]
    rules = [template.rule for mapping in everything for template in mapping.templates]
    return [(file, role) for file, _, role in (rule.partition("#") for rule in rules) if role != "patient"]


def test_dropping_leaves_the_templates_that_are_not_named(tmp_path: Path, base: Stages) -> None:
    stages = with_overlay(tmp_path, {"events/airway_placed.yaml": "resources: {details: {drop: true}}\n"})
    kept = _without(base, "events/airway_placed.yaml", "details").mappings.events["airway_placed"].templates
    assert [one.role for one in stages.mappings.events["airway_placed"].templates] == [one.role for one in kept]
    assert len(kept) == len(base.mappings.events["airway_placed"].templates) - 1


@pytest.mark.parametrize(("file", "role"), _droppable(load_stages(SOURCE)))
def test_any_resource_but_the_needed_ones_can_be_dropped(file: str, role: str, base: Stages) -> None:
    for made in _whole_examples_of(_without(base, file, role), Path(file)):
        there = {one.made.reference for one in made}
        assert f"{file}#{role}" not in {one.made.rule for one in made}
        for one in made:
            findings = [finding for finding in check_resource(one.made.body) if finding.severity == "error"]
            assert findings == [], one.made.rule
            assert set(references_in(one.made.body)) <= there, one.made.rule


def _whole_examples_of(stages: Stages, file: Path) -> list[list[RecordResource]]:
    """Return what the example of a kind and the least of it make, with all that surrounds them."""
    case = stages.vocabulary.case.example
    if file.parent.name == "events":
        least = {"id": "e-1", "kind": file.stem, "at": "2031-03-02T10:00:00+01:00"}
        return [make_case_records(stages, case, [event]) for event in (example_event(stages, file.stem), least)]
    shocks = [example_event(stages, "shock_delivered"), example_event(stages, "medication_given")]
    items = {name: shape.example for name, shape in stages.vocabulary.check_items.items() if shape.example}
    failed = {**items, "self_test": {"result": "failed"}}
    check = stages.vocabulary.check.example
    return [
        make_case_records(stages, case, shocks),
        *(make_check_records(stages, {}, {**check, "items": some}) for some in (items, failed)),
    ]


def test_the_shipped_overlay_shows_every_part_of_the_language(site: Stages) -> None:
    says = "\n".join(str(change) for change in site.vocabulary.data.changes)
    for part in ("+ coding", "+ concept", "+ profile", "+ category", "dropped", "another limit", "importance",
                 "is shown as", "systems: +"):  # fmt: skip
        assert part in says, part
