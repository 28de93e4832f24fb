"""Gathers what the plausibility rules may ask about the course of a case before an event."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from service.records.clocks import CorrectedTime
from service.records.events import RecordedEvent

FACTS: Mapping[str, str] = {
    "pacing_is_running": "pacing was started before the event and not stopped since",
    "ecg_electrodes_are_on": "ECG electrodes (three or five leads) were applied before the event",
    "circulation_is_back": "circulation returned (ROSC) before the event, with no re-arrest since",
}
"""The names of the facts, beside the fields of the event and those of its case (`case.NAME`)."""

_STARTS = {"pacing_started": "pacing_is_running", "circulation_returned": "circulation_is_back"}
_ENDS = {"pacing_stopped": "pacing_is_running", "circulation_lost": "circulation_is_back"}
FACT_KINDS = frozenset({*_STARTS, *_ENDS, "electrodes_applied"})
"""The kinds of event from which the facts follow."""


def gather_facts(
    event: RecordedEvent, others: Iterable[RecordedEvent], corrected: Mapping[str, CorrectedTime]
) -> dict[str, bool]:
    """Return the facts that hold when `event` happened; `others` hold at least the case's events of FACT_KINDS.

    An event of the same moment counts as before it.
    """
    moment = corrected[event.id].order_at
    before = sorted(
        (
            other
            for other in others
            if other.id != event.id and not other.retracted and corrected[other.id].order_at <= moment
        ),
        key=lambda other: (corrected[other.id].order_at, other.id),
    )
    facts = dict.fromkeys(FACTS, False)
    for other in before:
        if other.kind in _STARTS:
            facts[_STARTS[other.kind]] = True
        elif other.kind in _ENDS:
            facts[_ENDS[other.kind]] = False
        elif other.content.get("electrodes") in ("ecg_three_lead", "ecg_five_lead"):
            facts["ecg_electrodes_are_on"] = True
    return facts


def record_of(event: RecordedEvent, case: Mapping[str, Any], facts: Mapping[str, bool]) -> dict[str, Any]:
    """Return what the conditions of the rules look at."""
    return {**{f"case.{name}": value for name, value in case.items()}, **facts, **event.content}
