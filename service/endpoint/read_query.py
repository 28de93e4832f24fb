"""The query of a search or of a condition, read into criteria or refused by name."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal, cast
from urllib.parse import parse_qsl

from service.endpoint.date_ranges import LATEST, DateRange, read_date_range
from service.endpoint.outcomes import refuse
from service.endpoint.references import LOGICAL_ID, local_target
from service.endpoint.search_parameters import EVERY_TYPE, SearchParameter, parameters_of

CURSOR = "_cursor"
_USUAL_COUNT = 100
_GREATEST_COUNT = 1000

Prefix = Literal["eq", "gt", "lt", "ge", "le"]
_PREFIXES = ("eq", "gt", "lt", "ge", "le")
# These say how the answer looks or are read elsewhere; they never narrow a search. The total is always counted.
_ABOUT_THE_ANSWER = frozenset({("_format", None), ("_pretty", None), ("_total", "accurate")})
_SETTINGS = frozenset({"_count", "_sort", CURSOR})
_UNESCAPED_COMMA = re.compile(r"(?<!\\),")
_UNESCAPED_BAR = re.compile(r"(?<!\\)\|")
_ESCAPED = re.compile(r"\\([\\,|$])")
_CURSOR = re.compile(r"(-?[0-9]{1,19}),([0-9]{1,18})")


@dataclass(frozen=True, slots=True)
class TokenChoice:
    """What a token must be; None where the system or the code may be any."""

    system: str | None
    code: str | None


@dataclass(frozen=True, slots=True)
class ReferenceChoice:
    """The target that a reference must have."""

    target: str


@dataclass(frozen=True, slots=True)
class DateChoice:
    """How a date must compare with a range."""

    prefix: Prefix
    range: DateRange


Choice = TokenChoice | ReferenceChoice | DateChoice


@dataclass(frozen=True, slots=True)
class Criterion:
    """One parameter of a search: a resource fits where one of the choices does."""

    parameter: str
    choices: tuple[Choice, ...]


@dataclass(frozen=True, slots=True)
class Cursor:
    """Where a page ended: the value by which it is sorted and the key of its last resource."""

    sort_value: int
    key: int


@dataclass(frozen=True, slots=True)
class Query:
    """A search of one type: criteria that must all fit, and how the answer is to be cut and ordered.

    `used` are the parameters as they were sent, for the links of the answer.
    """

    resource_type: str
    criteria: tuple[Criterion, ...]
    used: tuple[tuple[str, str], ...]
    count: int
    sort: str | None
    descending: bool
    cursor: Cursor | None


def read_query(resource_type: str, text: str, base: str) -> Query:
    """Return the search that a query string asks for.

    Raises RefusalError (400) for every parameter, modifier, prefix and value that is not supported: an answer in
    which one was ignored would look like the one that was asked for.
    """
    criteria: list[Criterion] = []
    used: list[tuple[str, str]] = []
    settings: dict[str, str] = {}
    for name, value in parse_qsl(text, keep_blank_values=True):
        if (name, None) in _ABOUT_THE_ANSWER or (name, value) in _ABOUT_THE_ANSWER:
            continue
        if name in _SETTINGS:
            settings[name] = value
        else:
            criteria.append(_read_criterion(resource_type, name, value, base))
        if name != CURSOR:
            used.append((name, value))
    sort = settings.get("_sort")
    return Query(
        resource_type=resource_type,
        criteria=tuple(criteria),
        used=tuple(used),
        count=_read_count(settings.get("_count", str(_USUAL_COUNT))),
        sort=None if sort is None else _read_sort(resource_type, sort.removeprefix("-")),
        descending=sort is not None and sort.startswith("-"),
        cursor=_read_cursor(settings[CURSOR]) if CURSOR in settings else None,
    )


def read_condition(resource_type: str, text: str, base: str) -> Query:
    """Return the search of a conditional create or update.

    Raises RefusalError (400) as `read_query` does, and where nothing narrows the search.
    """
    query = read_query(resource_type, text.removeprefix("?"), base)
    if not query.criteria or len(query.criteria) != len(query.used):
        raise refuse(400, "invalid", "A condition needs search parameters that narrow it, and nothing else.")
    return query


def _read_count(text: str) -> int:
    if not re.fullmatch(r"[0-9]{1,9}", text):
        raise refuse(400, "value", "_count must be a whole number of at most nine digits.")
    return min(int(text), _GREATEST_COUNT)


def _read_sort(resource_type: str, name: str) -> str:
    parameter = parameters_of(resource_type).get(name)
    if name != "_lastUpdated" and (parameter is None or parameter.kind != "date"):
        raise refuse(
            400, "not-supported", f"{resource_type} is sorted by _lastUpdated or by one of its dates only."
        )
    return name


def _read_cursor(text: str) -> Cursor:
    match = _CURSOR.fullmatch(text)
    if match is None or abs(int(match[1])) > LATEST + 1:
        raise refuse(400, "value", "The page that the link points at cannot be read.")
    return Cursor(int(match[1]), int(match[2]))


def _read_criterion(resource_type: str, name: str, value: str, base: str) -> Criterion:
    """Return what one parameter asks for."""
    parameter = {each.name: each for each in EVERY_TYPE}.get(name) or parameters_of(resource_type).get(name)
    if parameter is None:
        known = ", ".join(each.name for each in (*EVERY_TYPE, *parameters_of(resource_type).values()))
        raise refuse(
            400,
            "not-supported",
            f"The search parameter {name} is not supported for {resource_type}, which has: {known}. Modifiers,"
            " chains and includes are not supported.",
        )
    values = [item for item in _UNESCAPED_COMMA.split(value) if item]
    if not values:
        raise refuse(400, "value", f"The search parameter {name} has no value.")
    return Criterion(name, tuple(_read_choice(parameter, item, base) for item in values))


def _read_choice(parameter: SearchParameter, item: str, base: str) -> Choice:
    if parameter.kind == "token":
        return _read_token(item)
    if parameter.kind == "date":
        return _read_date(parameter.name, item)
    return _read_reference(parameter, _unescape(item), base)


def _read_token(item: str) -> TokenChoice:
    parts = [_unescape(part) for part in _UNESCAPED_BAR.split(item, maxsplit=1)]
    if len(parts) == 1:
        return TokenChoice(None, parts[0])
    return TokenChoice(parts[0], parts[1] or None)


def _read_date(name: str, item: str) -> DateChoice:
    has_prefix = item[:2] in _PREFIXES
    try:
        found = read_date_range(item[2:] if has_prefix else item)
    except ValueError as error:
        expected = f"{name} takes a date such as ge2031-03-02, with one of the prefixes {', '.join(_PREFIXES)}."
        raise refuse(400, "value", expected) from error
    return DateChoice(cast(Prefix, item[:2]) if has_prefix else "eq", found)


def _read_reference(parameter: SearchParameter, item: str, base: str) -> ReferenceChoice:
    if LOGICAL_ID.fullmatch(item):
        if parameter.target is None:
            message = f"{parameter.name} may point at several types, so it takes Type/id, not the id alone."
            raise refuse(400, "value", message)
        return ReferenceChoice(f"{parameter.target}/{item}")
    return ReferenceChoice(local_target(item, base) or item)


def _unescape(text: str) -> str:
    return _ESCAPED.sub(r"\1", text)
