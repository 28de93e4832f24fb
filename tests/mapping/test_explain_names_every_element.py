"""Every element of every resource is explained: by its field, its placeholder, and the line that made it."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest

from service.data_folders import data_folder
from service.making.example_records import example_event, make_examples, make_records_of_kind
from service.making.stages import load_stages
from service.mapping.explain_mapping import ExplainedResource
from tests.support.overlays import SHIPPED_OVERLAY, SOURCE, explained_stages, make_event_unchecked

STAGES = load_stages(SOURCE)
KINDS = list(STAGES.vocabulary.events)


def _leaves(value: Any, path: str) -> Iterator[tuple[str, Any]]:
    """Yield every primitive with its path."""
    if isinstance(value, dict):
        for name, member in value.items():
            yield from _leaves(member, f"{path}.{name}")
    elif isinstance(value, list):
        for index, item in enumerate(value):
            yield from _leaves(item, f"{path}[{index}]")
    else:
        yield path, value


def _leaves_of(body: Mapping[str, Any]) -> dict[str, Any]:
    return dict(_leaves(body, body["resourceType"]))


def _around(path: str, inner: str) -> bool:
    return inner == path or inner.startswith((f"{path}.", f"{path}["))


@pytest.fixture(scope="module")
def explained() -> dict[str, ExplainedResource]:
    """All examples, explained."""
    stages, found = explained_stages(STAGES)
    for _ in make_examples(stages, data_folder("examples")):
        pass
    assert len(found) > 100
    return found


def test_every_element_has_an_origin_and_every_origin_an_element(explained: dict[str, ExplainedResource]) -> None:
    for one in explained.values():
        leaves = _leaves_of(one.made.body)
        paths = [element.path for element in one.elements]
        assert len(paths) == len(set(paths)), one.made.rule
        for path in paths:
            assert any(_around(path, leaf) for leaf in leaves), f"{one.made.rule}: nothing stands at {path}"
        for leaf in leaves:
            assert any(_around(path, leaf) for path in paths), f"{one.made.rule}: {leaf} is not explained"


def test_a_mapping_that_explains_makes_the_same_resources() -> None:
    stages, _ = explained_stages(STAGES)
    folder = data_folder("examples")
    plain = [(name, [one.made for one in made]) for name, made in make_examples(STAGES, folder)]
    assert [(name, [one.made for one in made]) for name, made in make_examples(stages, folder)] == plain


def test_the_line_of_a_constant_holds_the_constant(explained: dict[str, ExplainedResource]) -> None:
    checked = 0
    for one in explained.values():
        leaves = _leaves_of(one.made.body)
        for element in one.elements:
            if element.origin.sources == ("constant",) and not element.path.endswith("resourceType"):
                line = element.place.file.read_text(encoding="utf-8").splitlines()[element.place.line - 1]
                value = leaves[element.path]
                written = str(value).lower() if isinstance(value, bool) else str(value)
                assert written in line, (one.made.rule, element.path)
                checked += 1
    assert checked > 500


def test_the_line_of_a_placeholder_holds_the_placeholder(explained: dict[str, ExplainedResource]) -> None:
    checked = 0
    for one in explained.values():
        for element in one.elements:
            line = element.place.file.read_text(encoding="utf-8").splitlines()[element.place.line - 1]
            for source in element.origin.sources:
                if source != "constant" and element.place.file.parent.name != "codes" and ".id" not in element.path:
                    assert source in line, (one.made.rule, element.path, line)
                    checked += 1
    assert checked > 1000


def test_a_coding_is_explained_by_the_line_of_its_table(explained: dict[str, ExplainedResource]) -> None:
    checked = 0
    for one in explained.values():
        leaves = _leaves_of(one.made.body)
        for element in one.elements:
            if re.search(r"\.coding\[\d+\]$", element.path) and element.origin.sources[0].startswith("code "):
                line = element.place.file.read_text(encoding="utf-8").splitlines()[element.place.line - 1]
                assert f"code: {leaves[f'{element.path}.code']}" in line.replace('"', ""), element.path
                checked += 1
    assert checked > 500


def _other(value: Any, name: str) -> Any:
    """Return another value of the same form."""
    match value:
        case bool():
            return not value
        case int() | float():
            return value + 1
        case str() if name in ("at", "start", "death_at", "device_at", "reference_at"):
            return value.replace("+01:00", "+02:00")
        case str():
            return f"{value} changed"
        case dict():
            return {key: _other(member, key) for key, member in value.items()}
        case list():
            return [_other(item, name) for item in value]
    return value


def _changeable() -> list[tuple[str, str]]:
    return [(kind, name) for kind in KINDS for name in example_event(STAGES, kind) if name not in ("id", "kind")]


@pytest.mark.parametrize(("kind", "name"), _changeable())
def test_what_changes_with_a_field_names_the_field(kind: str, name: str) -> None:
    event = example_event(STAGES, kind)
    other = {**event, name: "mcg" if name == "dose_unit" else _other(event[name], name)}
    stages, explained = explained_stages(STAGES)
    before = {one.made.reference: one.made for one in make_event_unchecked(stages, event)}
    after = {one.made.reference: one.made for one in make_event_unchecked(STAGES, other)}
    for reference in before.keys() & after.keys():
        old, new = _leaves_of(before[reference].body), _leaves_of(after[reference].body)
        one = explained[reference]
        for path in old.keys() & new.keys():
            if old[path] == new[path]:
                continue
            nearest = max((e for e in one.elements if _around(e.path, path)), key=lambda e: len(e.path))
            if "content_hash" not in nearest.origin.sources:
                assert name in (*nearest.origin.fields, *nearest.when), f"{path} changes with {name}"


@pytest.mark.parametrize("kind", KINDS)
def test_every_field_of_an_example_is_named_by_some_element(kind: str) -> None:
    stages, explained = explained_stages(STAGES)
    event = example_event(STAGES, kind)
    made = make_records_of_kind(stages, kind)
    named = {
        name
        for one in made
        for element in explained[one.made.reference].elements
        for name in (*element.origin.fields, *element.when)
    }
    # A strip whose `documents` names an event of another case refers to nothing, so nothing comes from it.
    assert set(event) - {"kind", "documents"} <= named


def test_of_two_alternatives_only_the_one_that_was_found_is_named() -> None:
    stages, explained = explained_stages(STAGES)
    event = {"id": "e-1", "kind": "rhythm_assessed", "at": "2031-03-02T10:00:00+01:00", "rhythm": "asystole"}
    reference = next(one.made.reference for one in make_event_unchecked(stages, event) if one.made.role == "rhythm")
    shockable = next(e for e in explained[reference].elements if e.path == "Observation.component[0].valueBoolean")
    assert (shockable.origin.fields, shockable.origin.sources) == (("rhythm",), ("rhythm.shockable",))


def test_an_absence_is_explained_by_the_field_that_is_absent() -> None:
    stages, explained = explained_stages(STAGES)
    event = {
        "id": "e-1",
        "kind": "rhythm_assessed",
        "at": "2031-03-02T10:00:00+01:00",
        "stated_unknown": ["rhythm"],
    }
    reference = next(one.made.reference for one in make_event_unchecked(stages, event) if one.made.role == "rhythm")
    absent = next(e for e in explained[reference].elements if e.path == "Observation.dataAbsentReason")
    assert absent.origin.fields == ("rhythm", "stated_unknown")
    assert absent.origin.sources == ("why-absent rhythm",)


def test_an_element_behind_a_condition_names_what_the_condition_asks_for() -> None:
    stages, explained = explained_stages(STAGES)
    made = make_records_of_kind(stages, "medication_given")
    note = next(
        element
        for one in made
        for element in explained[one.made.reference].elements
        if element.path == "MedicationAdministration.note[0].text"
    )
    assert (note.origin.sources, note.when) == (("constant",), ("weight_based",))


def test_what_the_overlay_made_is_explained_by_its_own_lines() -> None:
    stages, explained = explained_stages(load_stages(SOURCE, SHIPPED_OVERLAY))
    data = stages.vocabulary.data
    made = [*make_records_of_kind(stages, "rhythm_assessed"), *make_records_of_kind(stages, "shock_delivered")]
    lines = {
        (one.made.role, element.path): data.line_of(element.place)
        for one in made
        for element in explained[one.made.reference].elements
    }
    text = (SHIPPED_OVERLAY / "codes/rhythm.yaml").read_text(encoding="utf-8")
    line = text[: text.index("RHY-VF")].count("\n") + 1
    assert lines["rhythm", "Observation.valueCodeableConcept.coding[2]"] == f"overlay/codes/rhythm.yaml:{line}"
    assert lines["rhythm", "Observation.valueCodeableConcept"].startswith("events/rhythm_assessed.yaml:")
    assert lines["shock", "Procedure.meta.profile[0]"].startswith("overlay/events/shock_delivered.yaml:")
    assert lines["details", "Observation.category[0]"].startswith("fragments.yaml:")
    assert lines["details", "Observation.category[1]"].startswith("overlay/events/shock_delivered.yaml:")


def test_lines_are_named_below_the_mapping_folder(explained: dict[str, ExplainedResource]) -> None:
    data = STAGES.vocabulary.data
    for one in explained.values():
        for element in one.elements:
            file, _, line = data.line_of(element.place).rpartition(":")
            assert (Path(data.folder) / file).is_file()
            assert line.isdecimal()
