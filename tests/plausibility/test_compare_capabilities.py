"""What was selected is compared with what the hospital states that the device can do, and with nothing else."""

from __future__ import annotations

from typing import Any

import pytest

from service.plausibility.compare_capabilities import beyond_capabilities
from tests.support.made_events import event

CAPABILITIES: dict[str, Any] = {
    "energy_selections_joules": [20, 140, 260],
    "operating_modes": ["manual"],
    "pacing_modes": ["demand"],
    "greatest_pacing_output_milliamperes": 150,
}


@pytest.mark.parametrize(
    ("kind", "fields", "rules"),
    [
        ("shock_delivered", {"energy_selected_joules": 140, "operating_mode": "manual"}, []),
        ("shock_delivered", {"energy_selected_joules": 150}, ["energy-not-among-selections"]),
        ("shock_delivered", {"operating_mode": "automated"}, ["operating-mode-not-among-capabilities"]),
        ("pacing_started", {"mode": "fixed"}, ["pacing-mode-not-among-capabilities"]),
        ("pacing_changed", {"output_milliamperes": 151}, ["output-above-capabilities"]),
        ("pacing_changed", {"output_milliamperes": 150}, []),
        ("shock_delivered", {}, []),
    ],
)
def test_a_selection_beyond_what_is_stated_is_warned_of(
    kind: str, fields: dict[str, Any], rules: list[str]
) -> None:
    found = list(beyond_capabilities(event("e-1", kind, "10:02:05", **fields), CAPABILITIES))
    assert [warning.rule for warning in found] == rules
    assert all(warning.pointer[1:] in fields for warning in found)


def test_what_nobody_states_is_not_compared() -> None:
    shock = event("e-1", "shock_delivered", "10:02:05", energy_selected_joules=150, operating_mode="automated")
    assert list(beyond_capabilities(shock, {})) == []
