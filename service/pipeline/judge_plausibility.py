"""Gathers what the plausibility rules look at for one event that is taken."""

from __future__ import annotations

from service.pipeline.remake_case import readings_for
from service.pipeline.stages import CaseFrame, Stages
from service.plausibility.find_implausible import find_implausible
from service.plausibility.gather_facts import FACT_KINDS
from service.problems import Problem
from service.records.events import RecordedEvent
from service.storage.events import events_of_case
from service.storage.statements import Transaction
from service.timeline.correct_times import correct_times


def implausible_in(tx: Transaction, stages: Stages, frame: CaseFrame, event: RecordedEvent) -> list[Problem]:
    """Return the warnings for an event, by what is known of its case at this moment."""
    if not any(event.kind in rule.kinds for rule in stages.plausibility):
        return []
    others = [other for other in events_of_case(tx, frame.case_id, FACT_KINDS) if other.id != event.id]
    corrected = correct_times([*others, event], readings_for(tx, [*others, event]))
    return find_implausible(stages.plausibility, frame.content, event, others, corrected)
