"""Translates the errors of pydantic into problems of ours, at the one edge where they arise."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence
from typing import Any

from pydantic_core import ErrorDetails

from service.problems import Code, Problem
from service.vocabulary.client_values import SOME_TEXT

_OWN_CODES = {code.facts.code: code for code in Code}
_TYPES = {
    "string_type": "a text",
    "bool_type": "true or false",
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "float_type": "a number",
    "list_type": "a list",
    "model_type": "an object",
    "model_attributes_type": "an object",
    "dict_type": "an object",
}
_BOUNDS = {
    "greater_than": ("gt", "more than"),
    "greater_than_equal": ("ge", "at least"),
    "less_than": ("lt", "less than"),
    "less_than_equal": ("le", "at most"),
}


def json_pointer(location: Sequence[str | int]) -> str:
    """Return the JSON pointer (RFC 6901) of a place in a body."""
    return "".join("/" + str(part).replace("~", "~0").replace("/", "~1") for part in location)


def _wanted_length(context: dict[str, Any]) -> str:
    if "max_length" in context:
        return f"at most {context['max_length']} characters or items"
    return f"at least {context.get('min_length', 1)} character or item"


def _problem(error: ErrorDetails, known_fields: Sequence[str]) -> Problem:
    location, form, context = error["loc"], error["type"], error.get("ctx", {})
    pointer = json_pointer(location)
    if form in _OWN_CODES:
        return Problem(_OWN_CODES[form], pointer, context["message"], context["expected"])
    if form in _TYPES:
        return Problem(Code.WRONG_TYPE, pointer, "the value is of the wrong type", _TYPES[form])
    if form in _BOUNDS:
        key, words = _BOUNDS[form]
        bound = context[key]
        return Problem(
            Code.IMPOSSIBLE_VALUE, pointer, "the value is outside the possible range", f"{words} {bound:g}"
        )
    match form:
        case "missing":
            return Problem(
                Code.MISSING_REQUIRED, pointer, f"{location[-1]!r} is missing", "this field with a value"
            )
        case "extra_forbidden":
            return _unknown_field(pointer, str(location[-1]), known_fields if len(location) == 1 else ())
        case "literal_error":
            return Problem(Code.UNKNOWN_CODE, pointer, "the word is not on the list", context["expected"])
        case "finite_number":
            return Problem(Code.IMPOSSIBLE_VALUE, pointer, "the value is not a finite number", "a number")
        case "string_too_short" | "string_too_long" | "too_short" | "too_long":
            return Problem(
                Code.WRONG_FORM, pointer, "the text or list is too short or too long", _wanted_length(context)
            )
        case "string_pattern_mismatch":
            return Problem(
                Code.WRONG_FORM, pointer, "the text is not in the required form", _wanted_pattern(context)
            )
    return Problem(Code.WRONG_FORM, pointer, "the value is not in the required form", "see /openapi.json")


def _wanted_pattern(context: dict[str, Any]) -> str:
    pattern = str(context.get("pattern"))
    return (
        "a text without control characters that is not only spaces"
        if pattern == SOME_TEXT
        else f"a text that fits {pattern}"
    )


def _unknown_field(pointer: str, name: str, known_fields: Sequence[str]) -> Problem:
    alike = difflib.get_close_matches(name, known_fields, n=1)
    expected = f"did you mean {alike[0]!r}?" if alike else "only documented fields."
    if known_fields:
        expected += f" Known fields: {', '.join(known_fields)}"
    return Problem(Code.UNKNOWN_FIELD, pointer, f"there is no field {name[:64]!r} here", expected)


def read_problems(errors: Iterable[ErrorDetails], known_fields: Sequence[str]) -> list[Problem]:
    """Return a problem for each error, none of them with a value that was sent."""
    return [_problem(error, known_fields) for error in errors]
