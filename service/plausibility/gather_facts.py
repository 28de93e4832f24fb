"""Gathers what the plausibility rules may ask about the course of a case before an event."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from itertools import groupby
from typing import Any

from service.records.events import RecordedEvent
from service.records.timeline import Timeline

FACTS: Mapping[str, str] = {
    "pacing_is_running": "pacing was started before the event and not stopped since",
    "ecg_electrodes_are_on": "ECG electrodes (three or five leads) were applied before the event",
    "circulation_is_back": "circulation returned (ROSC) before the event, with no re-arrest since",
}
"""The names of the facts, beside the fields of the event and those of its case (`case.NAME`)."""

_STARTS = {"pacing_started": "pacing_is_running", "circulation_returned": "circulation_is_back"}
_ENDS = {"pacing_stopped": "pacing_is_running", "circulation_lost": "circulation_is_back"}
LATEST_KINDS: Mapping[str, frozenset[str]] = {
    fact: frozenset(kind for kinds in (_STARTS, _ENDS) for kind, of in kinds.items() if of == fact)
    for fact in _STARTS.values()
}
"""The facts that the latest event before a moment decides, with the kinds of such events."""

EARLIER_KIND = "electrodes_applied"
"""The kind of which any event before a moment may decide a fact, `ecg_electrodes_are_on`."""

_DECIDING_KINDS = frozenset({*_STARTS, *_ENDS, EARLIER_KIND})


def facts_along(timeline: Timeline) -> Iterator[tuple[RecordedEvent, Mapping[str, bool]]]:
    """Yield each event that was not entered in error, with the facts that hold when it happens.

    An event of the same moment counts as before it.
    """
    facts = dict.fromkeys(FACTS, False)
    for _, same_time in groupby(timeline.live, key=lambda event: timeline.time_of(event).order_at):
        group = list(same_time)
        deciding = [event for event in group if event.kind in _DECIDING_KINDS]
        for event in group:
            yield event, _noted(facts, [other for other in deciding if other is not event])
        facts = _noted(facts, deciding)


def _noted(facts: dict[str, bool], events: Iterable[RecordedEvent]) -> dict[str, bool]:
    noted = {**facts}
    for event in events:
        if event.kind in _STARTS:
            noted[_STARTS[event.kind]] = True
        elif event.kind in _ENDS:
            noted[_ENDS[event.kind]] = False
        elif event.content.get("electrodes") in ("ecg_three_lead", "ecg_five_lead"):
            noted["ecg_electrodes_are_on"] = True
    return noted


def record_of(event: RecordedEvent, case: Mapping[str, Any], facts: Mapping[str, bool]) -> dict[str, Any]:
    """Return what the conditions of the rules look at."""
    return {**{f"case.{name}": value for name, value in case.items()}, **facts, **event.content}
