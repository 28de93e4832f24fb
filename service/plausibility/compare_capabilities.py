"""Compares what was selected on a device with what the hospital states that the device can do."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from service.problems import Code, Problem
from service.records.events import RecordedEvent

_LISTED = {
    "energy_selected_joules": ("energy_selections_joules", "energy-not-among-selections"),
    "operating_mode": ("operating_modes", "operating-mode-not-among-capabilities"),
    "mode": ("pacing_modes", "pacing-mode-not-among-capabilities"),
}
"""For each field of an event: the capability that lists what can be selected, and the name of the rule."""


def beyond_capabilities(event: RecordedEvent, capabilities: Mapping[str, Any]) -> Iterator[Problem]:
    """Yield a warning for each selection that the event's device cannot make; the event is kept all the same.

    `capabilities` are those that the hospital states of the device; what it does not state is not compared.

    Source: the hospital's own statement, no published number.
    """
    for field, (capability, rule) in _LISTED.items():
        stated = capabilities.get(capability)
        if stated is not None and field in event.content and event.content[field] not in stated:
            usual = f"one of: {', '.join(map(str, stated))}"
            yield _warning(field, "The device cannot select this, as the hospital states it.", usual, rule)
    greatest, output = (
        capabilities.get("greatest_pacing_output_milliamperes"),
        event.content.get("output_milliamperes"),
    )
    if greatest is not None and output is not None and output > greatest:
        says = "The output is above what the device can give, as the hospital states it."
        yield _warning("output_milliamperes", says, f"at most {greatest} mA", "output-above-capabilities")


def _warning(field: str, says: str, usual: str, rule: str) -> Problem:
    return Problem(Code.IMPLAUSIBLE, f"/{field}", says, usual, rule=rule)
