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
from typing import Any

from typing_extensions import TypeIs

from service.records.instants import parse_instant
from service.vocabulary.yaml_tree import Located

Condition = Callable[[Mapping[str, Any]], bool]
"""Says whether a record (field name to value, absent fields left out) meets the condition."""

_COMPARISONS: dict[str, Callable[[float, float], bool]] = {
    "below": lambda value, bound: value < bound,
    "above": lambda value, bound: value > bound,
    "at_least": lambda value, bound: value >= bound,
    "at_most": lambda value, bound: value <= bound,
}


def is_number(value: object) -> TypeIs[int | float]:
    """Return whether `value` is a JSON number (a boolean is none)."""
    return isinstance(value, int | float) and not isinstance(value, bool)


def _comparison(name: str, form: str, bound: float) -> Condition:
    compare = _COMPARISONS[form]

    def holds(record: Mapping[str, Any]) -> bool:
        value = record.get(name)
        return is_number(value) and compare(value, bound)

    return holds


def _difference(name: str, place: Located) -> Condition:
    other = place.required("differs_from").text()
    absolute = place.required("by_more_than").number()
    percent = place.required("and_percent").number()

    def holds(record: Mapping[str, Any]) -> bool:
        value, reference = record.get(name), record.get(other)
        if not (is_number(value) and is_number(reference)):
            return False
        return abs(value - reference) > max(absolute, abs(reference) * percent / 100)

    return holds


def _earlier(name: str, other: str) -> Condition:
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
    match forms[0]:
        case "is":
            wanted = members["is"].plain()
            return lambda record: name in record and record[name] == wanted
        case "in":
            choices = members["in"].plain()
            if not isinstance(choices, list):
                members["in"].refuse("a list is wanted here")
            return lambda record: record.get(name) in choices
        case "before":
            return _earlier(name, members["before"].text())
        case "differs_from":
            return _difference(name, place)
        case form:
            return _comparison(name, form, members[form].number())


def compile_condition(place: Located) -> Condition:
    """Return the condition that stands at `place`; WrongMapping where it has none of the forms above."""
    members = place.members()
    if "field" in members:
        return _field_condition(place)
    if len(members) != 1:
        place.refuse("a condition has one of the forms: present, absent, field, all, any, not")
    form, argument = next(iter(members.items()))
    match form:
        case "present":
            name = argument.text()
            return lambda record: name in record
        case "absent":
            name = argument.text()
            return lambda record: name not in record
        case "all":
            parts = [compile_condition(item) for item in argument.items()]
            return lambda record: all(part(record) for part in parts)
        case "any":
            parts = [compile_condition(item) for item in argument.items()]
            return lambda record: any(part(record) for part in parts)
        case "not":
            part = compile_condition(argument)
            return lambda record: not part(record)
    place.refuse(f"{form!r} is no condition; known are: present, absent, field, all, any, not")


def names_asked_for(place: Located) -> set[str]:
    """Return the names of all fields that the condition at `place` asks for."""
    members = place.members()
    names = {
        members[key].text() for key in ("present", "absent", "field", "before", "differs_from") if key in members
    }
    for key in ("all", "any"):
        if key in members:
            names.update(*(names_asked_for(item) for item in members[key].items()))
    return names | (names_asked_for(members["not"]) if "not" in members else set())
