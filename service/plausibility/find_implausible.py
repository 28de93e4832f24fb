"""Applies the plausibility rules to the events of a case."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any

from service.plausibility.gather_facts import facts_along, record_of
from service.plausibility.load_plausibility import PlausibilityRules
from service.problems import Code, Problem
from service.records.timeline import Timeline


def find_implausible(
    rules: PlausibilityRules, case: Mapping[str, Any], timeline: Timeline, wanted: Collection[str] | None = None
) -> dict[str, list[Problem]]:
    """Return, for each event, a warning for every rule that it meets; the event is kept all the same.

    `wanted` names the events to be looked at, all of them where it is None. `timeline` must hold what came before
    them of `gather_facts.LATEST_KINDS` and of `gather_facts.EARLIER_KIND`.
    """
    found: dict[str, list[Problem]] = {}
    for event, facts in facts_along(timeline):
        concerned = [rule for rule in rules if event.kind in rule.kinds]
        if concerned and (wanted is None or event.id in wanted):
            record = record_of(event, case, facts)
            found[event.id] = [
                Problem(Code.IMPLAUSIBLE, f"/{rule.field}", rule.says, rule.usual, rule=rule.name)
                for rule in concerned
                if rule.holds(record)
            ]
    return found
