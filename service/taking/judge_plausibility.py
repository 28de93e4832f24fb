"""Asks the plausibility rules about events that are taken."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from service.plausibility.compare_capabilities import beyond_capabilities
from service.plausibility.find_implausible import find_implausible
from service.plausibility.gather_facts import EARLIER_KIND, LATEST_KINDS
from service.problems import Problem
from service.reading.find_case import OpenCase
from service.records.events import RecordedEvent
from service.records.instants import stamp
from service.records.timeline import Timeline
from service.storage.events import EARLIEST, events_between, nearest_moment


def implausible_in(
    case: OpenCase, events: Sequence[RecordedEvent], timeline: Timeline, devices: Mapping[str, Mapping[str, Any]]
) -> dict[str, list[Problem]]:
    """Return the warnings for each event, by what is known of its case and its device at this moment.

    `timeline` holds at least the events, `devices` what is known of the devices that they name.
    """
    warnings = _by_the_rules(case, events, timeline)
    for event in events:
        capabilities = devices.get(event.content.get("device", ""), {}).get("capabilities")
        if capabilities is not None and not event.retracted:
            warnings.setdefault(event.id, []).extend(beyond_capabilities(event, capabilities))
    return warnings


def _by_the_rules(case: OpenCase, events: Sequence[RecordedEvent], timeline: Timeline) -> dict[str, list[Problem]]:
    """Return what the plausibility rules say; of the rest of the case only what they ask for is read."""
    tx, rules, content = case.tx, case.stages.plausibility, case.frame.content
    wanted = {event.id for event in events}
    concerned = [event for event in events if any(event.kind in rule.kinds for rule in rules)]
    asked = frozenset().union(*(rule.facts for rule in rules for event in concerned if event.kind in rule.kinds))
    if not asked:
        own = Timeline([event for event in timeline.events if event.id in wanted], timeline.times)
        return find_implausible(rules, content, own)
    moments = [stamp(timeline.time_of(event).order_at) for event in concerned]
    others: dict[str, RecordedEvent] = {}
    for fact, kinds in LATEST_KINDS.items():
        if fact in asked:
            first = nearest_moment(tx, case.case_id, kinds, before=min(moments), is_last=True)
            found = events_between(tx, case.case_id, kinds, first or min(moments), max(moments))
            others |= {event.id: event for event in found}
    if "ecg_electrodes_are_on" in asked:
        found = events_between(tx, case.case_id, {EARLIER_KIND}, EARLIEST, max(moments))
        others |= {event.id: event for event in found}
    others |= {event.id: event for event in events}
    whole = case.place(list(others.values()))
    return find_implausible(rules, content, whole, wanted)
