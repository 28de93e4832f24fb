"""Applies the plausibility rules to one event of a case."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from service.plausibility.gather_facts import gather_facts, record_of
from service.plausibility.load_plausibility import PlausibilityRules
from service.problems import Code, Problem
from service.records.clocks import CorrectedTime
from service.records.events import RecordedEvent


def find_implausible(
    rules: PlausibilityRules,
    case: Mapping[str, Any],
    event: RecordedEvent,
    others: Iterable[RecordedEvent],
    corrected: Mapping[str, CorrectedTime],
) -> list[Problem]:
    """Return a warning for every rule that an event meets; the event is kept all the same.

    `others` hold at least the case's events of `gather_facts.FACT_KINDS`, `corrected` the times of all of them.
    """
    if event.retracted:
        return []
    concerned = [rule for rule in rules if event.kind in rule.kinds]
    if not concerned:
        return []
    record = record_of(event, case, gather_facts(event, others, corrected))
    return [
        Problem(Code.IMPLAUSIBLE, f"/{rule.field}", rule.says, rule.usual, rule=rule.name)
        for rule in concerned
        if rule.holds(record)
    ]
