"""Reads the plausibility rules, which are data like all that clinicians may want to change."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from service.plausibility.gather_facts import FACTS
from service.problems import MappingFault, WrongMapping
from service.vocabulary.conditions import Condition, read_condition
from service.vocabulary.load_vocabulary import Vocabulary
from service.vocabulary.yaml_tree import Located, load_yaml


@dataclass(frozen=True, slots=True)
class PlausibilityRule:
    """One rule: for which kinds, when it holds, what it says of which field, what is usual, and its source.

    `facts` are those about the course of the case that it asks for.
    """

    name: str
    kinds: frozenset[str]
    holds: Condition
    field: str
    says: str
    usual: str
    source: str
    facts: frozenset[str]


PlausibilityRules = tuple[PlausibilityRule, ...]


def _rule(place: Located, vocabulary: Vocabulary) -> PlausibilityRule:
    place.only("rule", "kinds", "when", "field", "says", "usual", "source")
    kinds = frozenset(item.text() for item in place.required("kinds").items())
    unknown = kinds - set(vocabulary.events)
    if unknown:
        place.required("kinds").refuse(f"there is no event kind {', '.join(sorted(unknown))}")
    fields = set.intersection(*(set(vocabulary.events[kind].fields) for kind in kinds))
    known = fields | set(FACTS) | {f"case.{name}" for name in vocabulary.case.fields}
    condition = read_condition(place.required("when"))
    strange = condition.names - known
    if strange:
        place.required("when").refuse(f"there is no field or fact {', '.join(sorted(strange))} for these kinds")
    field = place.required("field").text()
    if field not in fields:
        place.required("field").refuse(f"there is no field {field!r} in these kinds")
    if not place.required("source").text().strip():
        place.required("source").refuse("every rule needs its source")
    return PlausibilityRule(
        place.required("rule").text(),
        kinds,
        condition,
        field,
        place.required("says").text(),
        place.required("usual").text(),
        place.required("source").text(),
        frozenset(FACTS) & condition.names,
    )


def load_plausibility(file: Path, vocabulary: Vocabulary) -> PlausibilityRules:
    """Return the rules in `file`; WrongMapping with file and line of everything in them that is not known."""
    document = load_yaml(file)
    document.only("rules")
    rules: dict[str, PlausibilityRule] = {}
    faults: list[MappingFault] = []
    for place in document.required("rules").items():
        try:
            rule = _rule(place, vocabulary)
        except WrongMapping as wrong:
            faults.extend(wrong.faults)
            continue
        if rule.name in rules:
            faults.append(place.fault(f"the rule {rule.name!r} is here twice"))
        rules[rule.name] = rule
    if faults:
        raise WrongMapping(faults)
    return tuple(rules.values())
