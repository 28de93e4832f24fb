"""Judges single primitive values by their JSON type and the grammar that R4 gives them.

Source: FHIR R4 (4.0.1), datatypes.html, primitive types, and json.html; the regular expressions are the
official ones, save for base64Binary (whose official one can take exponential time) and string.
"""

from __future__ import annotations

import re
from calendar import monthrange
from collections.abc import Callable
from math import isfinite
from typing import Any, Literal, NamedTuple

from service.checking.table import REGULAR_EXPRESSIONS
from service.exact_json import ExactNumber


class PrimitiveFault(NamedTuple):
    """The rule that a value breaks, and the sentence that says so without the value."""

    rule: str
    message: str
    severity: Literal["error", "warning"] = "error"


CheckPrimitive = Callable[[Any], PrimitiveFault | None]
"""Returns what is wrong with a value, or None."""

_MAXIMUM_LENGTH = 1024 * 1024
_MAXIMUM_INTEGER = 2**31 - 1

_NULL = PrimitiveFault("empty", "null is not allowed here; leave the element out.")
_EMPTY = PrimitiveFault("empty", "A string may not be empty; leave the element out.")
_NOT_STRING = PrimitiveFault("type", "A JSON string is required here.")
_NOT_NUMBER = PrimitiveFault("type", "A JSON number is required here.")
_NOT_BOOLEAN = PrimitiveFault("type", "A JSON boolean is required here.")
# R4 says SHOULD: white space alone would be trimmed to nothing in XML.
_BLANK = PrimitiveFault("primitive", "A string should not be only white space.", "warning")
_TOO_LONG = PrimitiveFault("primitive", "A string may not be longer than 1,048,576 characters.")
_UNWRITABLE = PrimitiveFault("primitive", "The string holds a character that FHIR or UTF-8 cannot carry.")
_INEXACT = PrimitiveFault("primitive", "The number is not finite.")
_NO_SUCH_DAY = PrimitiveFault("primitive", "The month has no such day.")
_BASE64 = PrimitiveFault("primitive", "The value is not base64.")
_UUID = PrimitiveFault("primitive", "'urn:uuid:' must be followed by a UUID.")
_UPPER_CASE = PrimitiveFault("primitive", "A urn:uuid should be written in lower case.", "warning")
_OID = PrimitiveFault("primitive", "'urn:oid:' must be followed by an OID.")

_GRAMMARS = {name: re.compile(regex, re.ASCII).fullmatch for name, regex in REGULAR_EXPRESSIONS.items()}
_BASE64_GRAMMAR = re.compile("[A-Za-z0-9+/]*={0,2}").fullmatch
# FHIR's own grammar for strings admits no white space but space, tab, carriage return and line feed; a lone
# surrogate and a null cannot be written as UTF-8 or stored as text.
_UNWRITABLE_CHARACTER = re.compile("[\x00\x0b\x0c\ud800-\udfff]").search
# A canonical adds |version to its uri, and any uri may add #fragment.
_UUID_URN = re.compile("urn:uuid:[0-9a-fA-F]{8}(?:-[0-9a-fA-F]{4}){3}-[0-9a-fA-F]{12}(?:[|#].*)?").fullmatch
_OID_URN = re.compile(REGULAR_EXPRESSIONS["oid"] + "(?:[|#].*)?").fullmatch


def problem_of_kind(value: Any, wanted: PrimitiveFault) -> PrimitiveFault:
    """Return the problem of a value that is not of the JSON type that `wanted` asks for."""
    return _NULL if value is None else wanted


def check_string(value: Any) -> PrimitiveFault | None:
    """Return what is wrong with `value` as a string or markdown."""
    if not isinstance(value, str):
        return problem_of_kind(value, _NOT_STRING)
    # The quick way: printable text has neither control characters nor odd spaces nor surrogates.
    if value and value.isprintable() and len(value) <= _MAXIMUM_LENGTH and not value.isspace():
        return None
    if not value:
        return _EMPTY
    if value.isspace():
        return _BLANK
    if len(value) > _MAXIMUM_LENGTH:
        return _TOO_LONG
    return _UNWRITABLE if _UNWRITABLE_CHARACTER(value) else None


def check_boolean(value: Any) -> PrimitiveFault | None:
    """Return what is wrong with `value` as a boolean."""
    return None if value is True or value is False else problem_of_kind(value, _NOT_BOOLEAN)


def check_decimal(value: Any) -> PrimitiveFault | None:
    """Return what is wrong with `value` as a decimal; any JSON number is right."""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return problem_of_kind(value, _NOT_NUMBER)
    return None if isinstance(value, int) or isfinite(value) else _INEXACT


def _check_whole(name: str, minimum: int) -> CheckPrimitive:
    out_of_range = PrimitiveFault(
        "primitive",
        f"The value of a {name} must be between {minimum} and {_MAXIMUM_INTEGER}.",
    )
    not_whole = PrimitiveFault("primitive", f"A {name} must be written without fraction and exponent.")

    def check(value: Any) -> PrimitiveFault | None:
        if type(value) is int:
            return None if minimum <= value <= _MAXIMUM_INTEGER else out_of_range
        if isinstance(value, (float, ExactNumber)):
            return not_whole
        return problem_of_kind(value, _NOT_NUMBER)

    return check


def _check_by_grammar(name: str, *, is_any_word: bool = False) -> CheckPrimitive:
    """Return the check of one grammar; `is_any_word` says that any one word of printable text fits it."""
    matches = _GRAMMARS[name]
    mismatch = PrimitiveFault("primitive", f"The value does not have the form of a {name}.")

    def check(value: Any) -> PrimitiveFault | None:
        if not isinstance(value, str):
            return problem_of_kind(value, _NOT_STRING)
        if is_any_word and value and value.isprintable() and " " not in value:
            return None
        if not value:
            return _EMPTY
        if not matches(value):
            return mismatch
        return None if value.isprintable() or not _UNWRITABLE_CHARACTER(value) else _UNWRITABLE

    return check


def _check_calendar(name: str) -> CheckPrimitive:
    matches = _GRAMMARS[name]
    mismatch = PrimitiveFault("primitive", f"The value does not have the form of a {name}.")

    def check(value: Any) -> PrimitiveFault | None:
        if not isinstance(value, str):
            return problem_of_kind(value, _NOT_STRING)
        if not matches(value):
            return mismatch if value else _EMPTY
        if value[8:10] > "28" and int(value[8:10]) > monthrange(int(value[:4]), int(value[5:7]))[1]:
            return _NO_SUCH_DAY
        return None

    return check


def check_uri(value: Any) -> PrimitiveFault | None:
    """Return what is wrong with `value` as a uri, url or canonical."""
    problem = _check_word(value)
    if problem is None and value.startswith("urn:"):
        if value.startswith("urn:uuid:"):
            if not _UUID_URN(value):
                return _UUID
            return None if value[:45] == value[:45].lower() else _UPPER_CASE
        if value.startswith("urn:oid:") and not _OID_URN(value):
            return _OID
    return problem


def check_xhtml(value: Any) -> PrimitiveFault | None:
    """Return what is wrong with `value` as the text of a narrative; its elements are for txt-1 and txt-2."""
    if not isinstance(value, str):
        return problem_of_kind(value, _NOT_STRING)
    if not value:
        return _EMPTY
    return None if value.isprintable() or not _UNWRITABLE_CHARACTER(value) else _UNWRITABLE


def check_base64(value: Any) -> PrimitiveFault | None:
    """Return what is wrong with `value` as base64, in which white space is allowed."""
    if not isinstance(value, str):
        return problem_of_kind(value, _NOT_STRING)
    compact = "".join(value.split())
    if not compact:
        return _EMPTY
    return None if len(compact) % 4 == 0 and _BASE64_GRAMMAR(compact) else _BASE64


_check_word = _check_by_grammar("uri", is_any_word=True)

PRIMITIVE_CHECKS: dict[str, CheckPrimitive] = {
    "base64Binary": check_base64,
    "boolean": check_boolean,
    "canonical": check_uri,
    "code": _check_by_grammar("code", is_any_word=True),
    "date": _check_calendar("date"),
    "dateTime": _check_calendar("dateTime"),
    "decimal": check_decimal,
    "id": _check_by_grammar("id"),
    "instant": _check_calendar("instant"),
    "integer": _check_whole("integer", -(2**31)),
    "markdown": check_string,
    "oid": _check_by_grammar("oid"),
    "positiveInt": _check_whole("positiveInt", 1),
    "string": check_string,
    "time": _check_by_grammar("time"),
    "unsignedInt": _check_whole("unsignedInt", 0),
    "uri": check_uri,
    "url": check_uri,
    "uuid": _check_by_grammar("uuid"),
    "xhtml": check_xhtml,
}
"""How each primitive type of R4 is checked."""


def check_code_of(codes: frozenset[str]) -> CheckPrimitive:
    """Return the check of a code that must be one of `codes`."""
    check_form = PRIMITIVE_CHECKS["code"]
    outside = PrimitiveFault("binding", "The code is not in the value set that R4 requires here.")

    def check(value: Any) -> PrimitiveFault | None:
        if isinstance(value, str) and value in codes:
            return None
        return check_form(value) or outside

    return check
