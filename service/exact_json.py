"""JSON in and out without changing a digit: the number that a client wrote is the number that is sent on."""

from __future__ import annotations

import hashlib
import json
from typing import Any, NoReturn

import orjson


class ExactNumber(float):
    """A JSON number with a fraction, an exponent or more than 18 digits, which remembers how it was written.

    It calculates and compares as a float; `write_json` writes its `literal`, so that `1.50` stays `1.50`
    (FHIR R4, datatypes, decimal: the precision of a value is significant).
    """

    __slots__ = ("literal",)
    literal: str

    def __new__(cls, literal: str) -> ExactNumber:
        """Return the number that `literal` spells; ValueError where it has no finite value."""
        number = super().__new__(cls, literal)
        if number in (float("inf"), float("-inf")):
            raise ValueError(f"the number {literal} is out of range")
        number.literal = literal
        return number


class BrokenJsonError(ValueError):
    """The text is not JSON that can be read without loss; the message says where and why."""


def _refuse_constant(name: str) -> NoReturn:
    raise ValueError(f"{name} is not JSON")


def _object_with_unique_names(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    members = dict(pairs)
    if len(members) != len(pairs):
        seen: set[str] = set()
        for name, _ in pairs:
            if name in seen:
                raise ValueError(f"the name {name!r} is twice in one object")
            seen.add(name)
    return members


def _whole_number(literal: str) -> int | ExactNumber:
    """Return a whole number; one beyond 64 bits, which the writer does not take as an int, by its spelling."""
    return int(literal) if len(literal) <= 18 else ExactNumber(literal)


_decoder = json.JSONDecoder(
    parse_float=ExactNumber,
    parse_int=_whole_number,
    parse_constant=_refuse_constant,
    object_pairs_hook=_object_with_unique_names,
)


def read_json(body: bytes) -> Any:
    """Return the value that `body` spells, its fractions as `ExactNumber`.

    Raises BrokenJsonError for anything that is not UTF-8 JSON (RFC 8259), for NaN and Infinity, for numbers
    beyond the range of a double and for a name that stands twice in one object, since one of its values
    would be lost.
    """
    try:
        value = _decoder.decode(body.decode("utf-8"))
        if b"\\ud" in body.lower():
            _refuse_half_characters(value)
    except json.JSONDecodeError as error:
        raise BrokenJsonError(f"line {error.lineno}, column {error.colno}: {error.msg}") from error
    except UnicodeDecodeError as error:
        raise BrokenJsonError(f"byte {error.start} is not UTF-8") from error
    except RecursionError as error:
        raise BrokenJsonError("it is nested too deeply") from error
    except ValueError as error:
        raise BrokenJsonError(str(error)) from error
    return value


def _refuse_half_characters(value: Any) -> None:
    """Raise ValueError where a text holds half of a surrogate pair, which no UTF-8 can spell."""
    try:
        json.dumps(value, ensure_ascii=False).encode("utf-8")
    except UnicodeEncodeError as error:
        raise ValueError("an escape names half of a character") from error


def _as_written(value: Any) -> Any:
    if isinstance(value, ExactNumber):
        return orjson.Fragment(value.literal)
    raise TypeError(f"{type(value).__name__} has no JSON form")


def _as_value(value: Any) -> Any:
    if isinstance(value, ExactNumber):
        return int(value) if value.is_integer() and abs(value) < 2**53 else float(value)
    raise TypeError(f"{type(value).__name__} has no JSON form")


def write_json(value: Any) -> bytes:
    """Return `value` as compact UTF-8 JSON, members in their order, numbers as they were written."""
    return orjson.dumps(value, default=_as_written)


def write_pretty_json(value: Any) -> bytes:
    """Return `value` as UTF-8 JSON, one member a line, members in their order, numbers as they were written."""
    return orjson.dumps(value, default=_as_written, option=orjson.OPT_INDENT_2)


def canonical_json(value: Any) -> bytes:
    """Return one spelling for all equal values: members sorted, and `1.50` the same as `1.5`."""
    return orjson.dumps(value, default=_as_value, option=orjson.OPT_SORT_KEYS)


def content_hash(value: Any) -> str:
    """Return the SHA-256 of the canonical form, in hexadecimal: equal content, equal hash."""
    return hashlib.sha256(canonical_json(value)).hexdigest()
