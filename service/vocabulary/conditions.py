"""Conditions as data: when a readiness verdict, a completeness rule or an impossibility applies.

A condition is a mapping with one of these forms, where NAME is a field of the record at hand:

    {present: NAME}                      the field has a value
    {absent: NAME}                       it has none
    {field: NAME, is: VALUE}             it equals VALUE (a word, number or boolean)
    {field: NAME, in: [VALUE, …]}        it equals one of them
    {field: NAME, below: NUMBER}         also above, at_least, at_most; false where the field is absent
    {field: NAME, before: OTHER}         both are times, and it lies before OTHER
    {field: NAME, differs_from: OTHER, by_more_than: NUMBER, and_percent: NUMBER}
                                         |NAME - OTHER| exceeds the greater of NUMBER and that per cent of OTHER
    {all: [CONDITION, …]}  {any: [CONDITION, …]}  {not: CONDITION}
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from service.records.instants import parse_instant
from service.vocabulary.yaml_tree import Located

Test = Callable[[Mapping[str, Any]], bool]
"""Says whether a record (field name to value, absent fields left out) meets a condition."""


@dataclass(frozen=True, slots=True)
class Condition:
    """A condition: its test, the fields that it asks for, and those of them that have a value where it holds."""

    holds: Test
    names: frozenset[str]
    promised: frozenset[str]
    place: Located

    def __call__(self, record: Mapping[str, Any]) -> bool:
        """Return whether a record meets the condition."""
        return self.holds(record)


_COMPARISONS: dict[str, Callable[[float, float], bool]] = {
    "below": lambda value, bound: value < bound,
    "above": lambda value, bound: value > bound,
    "at_least": lambda value, bound: value >= bound,
    "at_most": lambda value, bound: value <= bound,
}


def as_number(value: object) -> float | None:
    """Return `value` where it is a JSON number (a boolean is none); None otherwise."""
    return value if isinstance(value, int | float) and not isinstance(value, bool) else None


def _comparison(name: str, form: str, bound: float) -> Test:
    compare = _COMPARISONS[form]

    def holds(record: Mapping[str, Any]) -> bool:
        value = as_number(record.get(name))
        return value is not None and compare(value, bound)

    return holds


def _difference(name: str, other: str, place: Located) -> Test:
    absolute = place.required("by_more_than").number()
    percent = place.required("and_percent").number()

    def holds(record: Mapping[str, Any]) -> bool:
        value, reference = as_number(record.get(name)), as_number(record.get(other))
        if value is None or reference is None:
            return False
        return abs(value - reference) > max(absolute, abs(reference) * percent / 100)

    return holds


def _earlier(name: str, other: str) -> Test:
    def holds(record: Mapping[str, Any]) -> bool:
        value, reference = record.get(name), record.get(other)
        if not (isinstance(value, str) and isinstance(reference, str)):
            return False
        return parse_instant(value) < parse_instant(reference)

    return holds


def _field_condition(place: Located) -> Condition:
    forms_beside = ("is", "in", "before", "differs_from", *_COMPARISONS)
    members = place.only("field", "by_more_than", "and_percent", *forms_beside)
    name = place.required("field").text()
    forms = [form for form in forms_beside if form in members]
    if len(forms) != 1:
        place.refuse(f"beside 'field' stands exactly one of: {', '.join(forms_beside)}")
    asked, nothing = frozenset({name}), frozenset[str]()
    argument = members[forms[0]]
    match forms[0]:
        case "is":
            wanted = argument.plain()
            return Condition(lambda record: name in record and record[name] == wanted, asked, asked, place)
        case "in":
            choices = argument.plain()
            if not isinstance(choices, list):
                argument.refuse("a list is wanted here")
            return Condition(lambda record: record.get(name) in choices, asked, asked, place)
        case "before":
            return Condition(_earlier(name, argument.text()), asked | {argument.text()}, nothing, place)
        case "differs_from":
            other = argument.text()
            return Condition(_difference(name, other, place), asked | {other}, nothing, place)
        case form:
            return Condition(_comparison(name, form, argument.number()), asked, nothing, place)


def read_condition(place: Located) -> Condition:
    """Return the condition at `place`; WrongMapping where it has none of the forms above."""
    members = place.members()
    if "field" in members:
        return _field_condition(place)
    if len(members) != 1:
        place.refuse("a condition has one of the forms: present, absent, field, all, any, not")
    form, argument = next(iter(members.items()))
    nothing = frozenset[str]()
    match form:
        case "present":
            name = argument.text()
            return Condition(lambda record: name in record, frozenset({name}), frozenset({name}), place)
        case "absent":
            name = argument.text()
            return Condition(lambda record: name not in record, frozenset({name}), nothing, place)
        case "all" | "any":
            parts = [read_condition(item) for item in argument.items()]
            tests = [part.holds for part in parts]
            names = nothing.union(*(part.names for part in parts))
            if form == "any":
                return Condition(lambda record: any(test(record) for test in tests), names, nothing, place)
            promised = nothing.union(*(part.promised for part in parts))
            return Condition(lambda record: all(test(record) for test in tests), names, promised, place)
        case "not":
            part = read_condition(argument)
            return Condition(lambda record: not part.holds(record), part.names, nothing, place)
    place.refuse(f"{form!r} is no condition; known are: present, absent, field, all, any, not")
