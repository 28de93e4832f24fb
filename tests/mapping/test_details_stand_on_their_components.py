"""A resource that is part of another one of its record is made only where one of its components has a value."""

from __future__ import annotations

from typing import Any

import pytest

from service.making.example_records import example_event, make_records_of_kind
from service.making.stages import load_stages

STAGES = load_stages("urn:example:details")
STANDING = [
    (kind, template.role)
    for kind, mapping in STAGES.mappings.events.items()
    for template in mapping.templates
    if template.components
]


def _bodies(event: dict[str, Any]) -> dict[str, dict[str, Any]]:
    return {one.made.role: one.made.body for one in make_records_of_kind(STAGES, event["kind"], event)}


def test_the_details_of_procedures_are_what_stands_on_components() -> None:
    assert STANDING == [
        ("access_established", "details"),
        ("airway_placed", "details"),
        ("cardioversion_delivered", "details"),
        ("shock_delivered", "details"),
        ("ventilation_started", "settings"),
    ]


@pytest.mark.parametrize(("kind", "role"), STANDING)
def test_each_component_alone_is_enough_and_without_all_of_them_there_is_none(kind: str, role: str) -> None:
    example = example_event(STAGES, kind)
    template = next(one for one in STAGES.mappings.events[kind].templates if one.role == role)
    least = {name: value for name, value in example.items() if name not in template.asked}
    assert role not in _bodies(least)
    assert len(template.asked) == len(template.components)
    for name in set(template.asked) & set(example):
        bodies = _bodies({**least, name: example[name]})
        assert len(bodies[role]["component"]) == 1, name


def test_what_a_component_only_could_say_makes_no_resource() -> None:
    event = {"id": "e-1", "kind": "shock_delivered", "at": "2031-03-02T10:02:05+01:00"}
    assert set(_bodies({**event, "note": "N.", "stated_unknown": ["waveform"]})) == {"shock", "provenance"}


def test_the_explanation_names_the_fields_of_the_components() -> None:
    template = next(one for one in STAGES.mappings.events["airway_placed"].templates if one.role == "details")
    assert template.asked == ("attempts", "confirmed_by", "depth_centimetres", "size_millimetres")
