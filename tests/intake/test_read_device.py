"""The hospital states what a device can do: all of it is optional, and each wrong part is refused by name."""

from __future__ import annotations

from typing import Any

import pytest

from service.data_folders import data_folder
from service.exact_json import read_json, write_json
from service.intake.read_record import read_record
from service.problems import Rejected
from tests.support.load_vocabulary import load_vocabulary

DEVICE = load_vocabulary(data_folder("mappings")).device
STATED = DEVICE.example["capabilities"]


def _problems(capabilities: Any) -> list[tuple[str, str]]:
    with pytest.raises(Rejected) as refused:
        read_record(read_json(write_json({"capabilities": capabilities})), DEVICE)
    return [(problem.code.facts.code, problem.pointer) for problem in refused.value.problems]


def test_the_example_is_kept_as_it_was_stated() -> None:
    content = read_record(read_json(write_json(DEVICE.example)), DEVICE).content
    assert read_json(write_json(content)) == read_json(write_json(DEVICE.example))


@pytest.mark.parametrize("name", list(STATED))
def test_each_capability_may_be_stated_alone_or_left_out(name: str) -> None:
    alone = {name: STATED[name]}
    rest = {other: value for other, value in STATED.items() if other != name}
    devices: list[dict[str, Any]] = [{"capabilities": stated} for stated in (alone, rest, {})]
    for device in devices:
        assert read_record(read_json(write_json(device)), DEVICE).content == read_json(write_json(device))


def test_a_null_among_the_capabilities_says_the_same_as_no_value() -> None:
    device = {"capabilities": {"pacing_modes": None, "operating_modes": ["manual"]}}
    assert read_record(device, DEVICE).content == {"capabilities": {"operating_modes": ["manual"]}}


@pytest.mark.parametrize(
    ("capabilities", "problem"),
    [
        (
            {"energy_selections_joules": [100, 361]},
            ("impossible_value", "/capabilities/energy_selections_joules/1"),
        ),
        ({"energy_selections_joules": [0]}, ("impossible_value", "/capabilities/energy_selections_joules/0")),
        ({"energy_selections_joules": ["100"]}, ("wrong_type", "/capabilities/energy_selections_joules/0")),
        ({"energy_selections_joules": 100}, ("wrong_type", "/capabilities/energy_selections_joules")),
        (
            {"greatest_pacing_output_milliamperes": 201},
            ("impossible_value", "/capabilities/greatest_pacing_output_milliamperes"),
        ),
        ({"pacing_modes": ["demand", "asleep"]}, ("unknown_code", "/capabilities/pacing_modes/1")),
        ({"operating_modes": [{"text": "manual"}]}, ("wrong_type", "/capabilities/operating_modes/0")),
        ({"colour": "red"}, ("unknown_field", "/capabilities/colour")),
        (["manual"], ("wrong_type", "/capabilities")),
    ],
)
def test_what_is_wrong_among_the_capabilities_is_named(capabilities: Any, problem: tuple[str, str]) -> None:
    assert _problems(capabilities) == [problem]


@pytest.mark.parametrize("name", ["energy_selections_joules", "operating_modes", "pacing_modes"])
def test_a_list_without_a_value_is_refused(name: str) -> None:
    (problem,) = _problems({name: []})
    assert problem[1] == f"/capabilities/{name}"
