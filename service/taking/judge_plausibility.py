"""Asks the plausibility rules about events that are taken."""

from __future__ import annotations

from collections.abc import Sequence

from service.making.frame_case import CaseFrame
from service.making.stages import Stages
from service.plausibility.find_implausible import find_implausible
from service.plausibility.gather_facts import EARLIER_KIND, LATEST_KINDS
from service.problems import Problem
from service.reading.find_case import place_on_timeline
from service.records.events import RecordedEvent
from service.records.instants import stamp
from service.records.timeline import Timeline
from service.storage.events import EARLIEST, events_between, nearest_moment
from service.storage.statements import Transaction


def implausible_in(
    tx: Transaction, stages: Stages, frame: CaseFrame, events: Sequence[RecordedEvent], timeline: Timeline
) -> dict[str, list[Problem]]:
    """Return the warnings for each event, by what is known of its case at this moment.

    `timeline` holds at least the events. Of the rest of the case only what the rules ask for is read.
    """
    wanted = {event.id for event in events}
    concerned = [event for event in events if any(event.kind in rule.kinds for rule in stages.plausibility)]
    asked = frozenset().union(
        *(rule.facts for rule in stages.plausibility for event in concerned if event.kind in rule.kinds)
    )
    if not asked:
        own = Timeline([event for event in timeline.events if event.id in wanted], timeline.times)
        return find_implausible(stages.plausibility, frame.content, own)
    moments = [stamp(timeline.time_of(event).order_at) for event in concerned]
    others: dict[str, RecordedEvent] = {}
    for fact, kinds in LATEST_KINDS.items():
        if fact in asked:
            first = nearest_moment(tx, frame.case_id, kinds, before=min(moments), is_last=True)
            found = events_between(tx, frame.case_id, kinds, first or min(moments), max(moments))
            others |= {event.id: event for event in found}
    if "ecg_electrodes_are_on" in asked:
        found = events_between(tx, frame.case_id, {EARLIER_KIND}, EARLIEST, max(moments))
        others |= {event.id: event for event in found}
    others |= {event.id: event for event in events}
    whole = place_on_timeline(tx, stages, list(others.values()), frame)
    return find_implausible(stages.plausibility, frame.content, whole, wanted)
