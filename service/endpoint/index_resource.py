"""The values of a resource that searches ask for, taken out once, when it is written."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, NamedTuple

from service.endpoint.date_ranges import EARLIEST, LATEST, DateRange, read_date_range
from service.endpoint.references import local_target, places_of_references
from service.endpoint.search_parameters import SearchParameter, parameters_of

ANY_REFERENCE = "*"
"""The parameter name under which every literal reference of a resource is in the index."""


class TokenRow(NamedTuple):
    """A code or an identifier; an absent system or code is empty text."""

    parameter: str
    system: str
    code: str


class ReferenceRow(NamedTuple):
    """A reference, its target as `Type/id`, or as it was written where it is not one to this endpoint."""

    parameter: str
    target: str


class DateRow(NamedTuple):
    """A date as a range of microseconds since 1970 UTC, `high` excluded."""

    parameter: str
    low: int
    high: int


class IndexRows(NamedTuple):
    """All that a search can find a resource by."""

    tokens: set[TokenRow]
    references: set[ReferenceRow]
    dates: set[DateRow]


def index_resource(resource: dict[str, Any], base: str) -> IndexRows:
    """Return the index rows of `resource`, references that begin with `base` as if they were relative.

    What cannot be read as the parameter's kind has no row; refusing it is the check's affair.
    """
    targets = {local_target(place.value, base) for place in places_of_references(resource)}
    rows = IndexRows(set(), {ReferenceRow(ANY_REFERENCE, target) for target in targets if target}, set())
    for parameter in parameters_of(resource["resourceType"]).values():
        for path in parameter.paths:
            for value in _walk(resource, path):
                _add_row(rows, parameter, value, base)
    return rows


def _walk(value: Any, path: str) -> list[Any]:
    """Return what is at `path` below `value`, every item of a list on the way."""
    found = [value]
    for name in path.split("."):
        found = [member for item in found if isinstance(item, dict) for member in _members(item, name)]
    return found


def _members(item: dict[str, Any], name: str) -> list[Any]:
    member = item.get(name)
    if member is None:
        return []
    return member if isinstance(member, list) else [member]


def _add_row(rows: IndexRows, parameter: SearchParameter, value: Any, base: str) -> None:
    if parameter.kind == "token":
        rows.tokens.update(TokenRow(parameter.name, system, code) for system, code in _tokens_in(value))
    elif parameter.kind == "date":
        rows.dates.update(DateRow(parameter.name, low, high) for low, high in _dates_in(value))
    elif isinstance(value, dict) and isinstance(value.get("reference"), str):
        target = local_target(value["reference"], base) or value["reference"]
        if parameter.target in (None, target.partition("/")[0]):
            rows.references.add(ReferenceRow(parameter.name, target))


def _tokens_in(value: Any) -> Iterator[tuple[str, str]]:
    """Yield the system and code of a code, boolean, Coding, CodeableConcept or Identifier."""
    if isinstance(value, bool):
        yield "", "true" if value else "false"
    elif isinstance(value, str):
        yield "", value
    elif isinstance(value, dict):
        if isinstance(value.get("coding"), list):
            for coding in value["coding"]:
                yield from _tokens_in(coding)
            return
        system, code = value.get("system", ""), value.get("code", value.get("value", ""))
        if isinstance(system, str) and isinstance(code, str) and (system or code):
            yield system, code


def _dates_in(value: Any) -> Iterator[DateRange]:
    """Yield the ranges of a date, dateTime, instant or Period."""
    try:
        if isinstance(value, str):
            yield read_date_range(value)
        elif isinstance(value, dict) and ("start" in value or "end" in value):
            yield DateRange(
                read_date_range(value["start"]).low if "start" in value else EARLIEST,
                read_date_range(value["end"]).high if "end" in value else LATEST,
            )
    except (TypeError, ValueError):
        return
