"""Search parameters as they stand in a URL, read into criteria or named as not supported."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal
from urllib.parse import parse_qsl

from service.endpoint.date_ranges import DateRange, read_date_range
from service.endpoint.outcomes import refuse
from service.endpoint.references import LOGICAL_ID, local_target
from service.endpoint.resource_types import RESOURCE_TYPES
from service.endpoint.search_parameters import SearchParameter, parameters_of

USUAL_COUNT = 100
GREATEST_COUNT = 1000

Prefix = Literal["eq", "ne", "gt", "lt", "ge", "le", "sa", "eb"]
_PREFIXES: dict[str, Prefix] = {name: name for name in ("eq", "ne", "gt", "lt", "ge", "le", "sa", "eb")}
# These say how the answer looks or are read elsewhere; they never narrow a search.
_ABOUT_THE_ANSWER = frozenset({"_format", "_pretty"})
_UNESCAPED_COMMA = re.compile(r"(?<!\\),")
_UNESCAPED_BAR = re.compile(r"(?<!\\)\|")
_ESCAPED = re.compile(r"\\([\\,|$])")


@dataclass(frozen=True, slots=True)
class TokenChoice:
    """What a token must be; None where the system or the code may be any."""

    system: str | None
    code: str | None


@dataclass(frozen=True, slots=True)
class ReferenceChoice:
    """The targets of which a reference must have one."""

    targets: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class DateChoice:
    """How a date must stand to a range."""

    prefix: Prefix
    range: DateRange


Choice = TokenChoice | ReferenceChoice | DateChoice


@dataclass(frozen=True, slots=True)
class Criterion:
    """One parameter of a search: a resource fits where one of the choices does."""

    parameter: str
    choices: tuple[Choice, ...]


@dataclass(frozen=True, slots=True)
class Query:
    """A search of one type: criteria that must all fit, and how the answer is to be cut and ordered."""

    resource_type: str
    criteria: tuple[Criterion, ...]
    used: tuple[tuple[str, str], ...]
    ignored: tuple[str, ...]
    count: int
    sort: str | None
    descending: bool
    with_total: bool
    cursor: str | None


def split_query(text: str) -> list[tuple[str, str]]:
    """Return the parameters of a query string in order, empty ones included."""
    return parse_qsl(text, keep_blank_values=True)


def read_query(resource_type: str, pairs: Sequence[tuple[str, str]], base: str) -> Query:
    """Return the search that `pairs` ask for; what is not supported stands in `ignored`, by name.

    Raises RefusalError (400) for a value that cannot be read and for a modifier that is not supported, which
    R4 forbids to ignore.
    """
    used: list[tuple[str, str]] = []
    ignored: list[str] = []
    criteria: list[Criterion] = []
    settings: dict[str, str] = {}
    for name, value in pairs:
        if name in _ABOUT_THE_ANSWER:
            continue
        if name in _SETTINGS and _is_supported_setting(resource_type, name, value):
            settings[name] = value
        elif value and name not in _SETTINGS and (criterion := _read_criterion(resource_type, name, value, base)):
            criteria.append(criterion)
        else:
            ignored.append(name)
            continue
        if name != CURSOR:
            used.append((name, value))
    sort = settings.get("_sort", "")
    return Query(
        resource_type=resource_type,
        criteria=tuple(criteria),
        used=tuple(used),
        ignored=tuple(dict.fromkeys(ignored)),
        count=0 if settings.get("_summary") == "count" else int(settings.get("_count", USUAL_COUNT)),
        sort=sort.removeprefix("-") or None,
        descending=sort.startswith("-"),
        with_total=settings.get("_total") != "none",
        cursor=settings.get(CURSOR),
    )


def read_condition(resource_type: str, text: str, base: str) -> Query:
    """Return the search of a conditional operation, which must be understood whole.

    Raises RefusalError (400) where a parameter is not supported or none is there: ignoring one would let the
    operation hit resources that were never meant.
    """
    query = read_query(resource_type, split_query(text.removeprefix("?")), base)
    if query.ignored:
        names = ", ".join(query.ignored)
        raise refuse(400, "not-supported", f"The condition cannot be decided: {names} is not supported here.")
    if not query.criteria or len(query.criteria) != len(query.used):
        raise refuse(400, "invalid", "A condition needs search parameters that narrow it, and nothing else.")
    return query


CURSOR = "_cursor"
_SETTINGS = frozenset({"_count", "_sort", "_total", "_summary", CURSOR})


def _is_supported_setting(resource_type: str, name: str, value: str) -> bool:
    """Return whether a parameter about the answer is followed; raise where its value cannot be."""
    if name == "_count":
        if not re.fullmatch(r"[0-9]{1,9}", value):
            raise refuse(400, "value", "_count must be a whole number of at most nine digits.")
        return True
    if name == "_sort":
        key = value.removeprefix("-")
        parameter = parameters_of(resource_type).get(key)
        return key in {"_id", "_lastUpdated"} or (parameter is not None and parameter.kind == "date")
    if name == "_total":
        return value in {"none", "accurate", "estimate"}
    if name == "_summary":
        return value in {"count", "false"}
    return True


def _read_criterion(resource_type: str, full_name: str, value: str, base: str) -> Criterion | None:
    """Return what one parameter asks for, or None where there is no such parameter."""
    name, _, modifier = full_name.partition(":")
    parameter = _special(name) or parameters_of(resource_type).get(name)
    if parameter is None:
        return None
    if modifier and not (parameter.kind == "reference" and modifier in RESOURCE_TYPES):
        raise refuse(400, "not-supported", f"The modifier of the search parameter {full_name} is not supported.")
    values = [item for item in _UNESCAPED_COMMA.split(value) if item]
    return Criterion(name, tuple(_read_choice(parameter, item, modifier, base) for item in values))


def _special(name: str) -> SearchParameter | None:
    if name == "_id":
        return SearchParameter("_id", "token", ())
    if name == "_lastUpdated":
        return SearchParameter("_lastUpdated", "date", ())
    return None


def _read_choice(parameter: SearchParameter, item: str, modifier: str, base: str) -> Choice:
    if parameter.kind == "token":
        return _read_token(item)
    if parameter.kind == "date":
        return _read_date(parameter.name, item)
    return _read_reference(parameter, _unescape(item), modifier, base)


def _read_token(item: str) -> TokenChoice:
    parts = [_unescape(part) for part in _UNESCAPED_BAR.split(item, maxsplit=1)]
    if len(parts) == 1:
        return TokenChoice(None, parts[0])
    return TokenChoice(parts[0], parts[1] or None)


def _read_date(name: str, item: str) -> DateChoice:
    prefix = _PREFIXES.get(item[:2])
    try:
        return DateChoice(prefix or "eq", read_date_range(item[2:] if prefix else item))
    except ValueError as error:
        expected = f"{name} takes a date such as ge2031-03-02, with one of the prefixes {', '.join(_PREFIXES)}."
        raise refuse(400, "value", expected) from error


def _read_reference(parameter: SearchParameter, item: str, modifier: str, base: str) -> ReferenceChoice:
    types = (modifier,) if modifier else parameter.targets
    target = local_target(item, base)
    if target is None and LOGICAL_ID.fullmatch(item):
        return ReferenceChoice(tuple(f"{name}/{item}" for name in types or sorted(RESOURCE_TYPES)))
    return ReferenceChoice((target or item,))


def _unescape(text: str) -> str:
    return _ESCAPED.sub(r"\1", text)
