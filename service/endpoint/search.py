"""Search: criteria to SQL over the index, pages that inserts do not shift, and the searchset."""

from __future__ import annotations

import base64
import binascii
import json
import sqlite3
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote, urlencode
from uuid import NAMESPACE_URL, uuid5

import orjson

from service.endpoint.date_ranges import EARLIEST, LATEST
from service.endpoint.outcomes import Issue, outcome_of, refuse
from service.endpoint.read_query import (
    CURSOR,
    GREATEST_COUNT,
    Choice,
    Criterion,
    DateChoice,
    Query,
    ReferenceChoice,
    TokenChoice,
)

_DATE_CONDITIONS = {
    "eq": ("{low} >= ? AND {high} <= ?", "low high"),
    "ne": ("({low} < ? OR {high} > ?)", "low high"),
    "gt": ("{high} > ?", "high"),
    "lt": ("{low} < ?", "low"),
    "ge": ("({high} > ? OR ({low} >= ? AND {high} <= ?))", "high low high"),
    "le": ("({low} < ? OR ({low} >= ? AND {high} <= ?))", "low low high"),
    "sa": ("{low} >= ?", "high"),
    "eb": ("{high} <= ?", "low"),
}
"""For each prefix the condition on a stored range, and which ends of the searched range it takes.

Source: FHIR R4, search, section 3.1.1.4.7 and the table of prefixes."""

_ONE_MILLISECOND = 1000


@dataclass(frozen=True, slots=True)
class _Condition:
    sql: str
    values: tuple[Any, ...]


def find_ids(connection: sqlite3.Connection, query: Query, limit: int) -> list[str]:
    """Return up to `limit` ids of the resources that fit the criteria of `query`."""
    condition = _condition_of(query)
    rows = connection.execute(
        f"SELECT r.resource_id FROM resource r WHERE {condition.sql} LIMIT ?",  # noqa: S608 - values are bound.
        (*condition.values, limit),
    )
    return [row[0] for row in rows]


def search(connection: sqlite3.Connection, query: Query, base: str) -> dict[str, Any]:
    """Return the searchset Bundle of `query`, in its order, with total and links."""
    bundle: dict[str, Any] = {"resourceType": "Bundle", "type": "searchset"}
    if query.with_total:
        bundle["total"] = _count(connection, query)
    links = [{"relation": "self", "url": _link(query, base, query.cursor)}]
    bundle["link"] = links
    entries: list[dict[str, Any]] = []
    count = min(query.count, GREATEST_COUNT)
    if count:
        rows = _page(connection, query, count + 1)
        if len(rows) > count:
            links.append({"relation": "next", "url": _link(query, base, _cursor_after(rows[count - 1]))})
        entries = [_entry(query.resource_type, row, base) for row in rows[:count]]
    if query.ignored:
        # Every entry needs a fullUrl outside transactions and batches (bundle.html), and this one has no address.
        full_url = uuid5(NAMESPACE_URL, f"{links[0]['url']} {query.ignored}").urn
        entries.append({"fullUrl": full_url, "resource": _ignored_outcome(query), "search": {"mode": "outcome"}})
    if entries:
        bundle["entry"] = entries
    return bundle


def _count(connection: sqlite3.Connection, query: Query) -> int:
    condition = _condition_of(query)
    sql = f"SELECT count(*) FROM resource r WHERE {condition.sql}"  # noqa: S608 - values are bound.
    total: int = connection.execute(sql, condition.values).fetchone()[0]
    return total


def _page(connection: sqlite3.Connection, query: Query, limit: int) -> list[tuple[Any, ...]]:
    """Return rows of sort value, key, id and body, beginning after the cursor."""
    condition = _condition_of(query)
    sort = _sort_value(query)
    direction, beyond = ("DESC", "<") if query.descending else ("ASC", ">")
    # The key settles the order of equal sort values, so a page begins exactly where the last one ended.
    position, order = "(sort_value, key)", f"sort_value {direction}, key {direction}"
    start: tuple[Any, ...] = () if query.cursor is None else _read_cursor(query)
    if query.sort is None:
        position, order, start = "key", "key", start[1:]
    after = f" AND {position} {beyond} ({', '.join('?' * len(start))})" if start else ""
    sql = (
        f"SELECT p.sort_value, p.key, p.resource_id, v.body FROM (SELECT {sort.sql} AS sort_value, r.key AS key,"  # noqa: S608 - values are bound.
        f" r.resource_id, r.version FROM resource r WHERE {condition.sql}{after} ORDER BY {order} LIMIT ?) p"
        f" JOIN version v ON v.resource_key = p.key AND v.version = p.version ORDER BY {order}"
    )
    return connection.execute(sql, (*sort.values, *condition.values, *start, limit)).fetchall()


def _sort_value(query: Query) -> _Condition:
    if query.sort is None:
        return _Condition("0", ())
    if query.sort == "_id":
        return _Condition("r.resource_id", ())
    if query.sort == "_lastUpdated":
        return _Condition("r.updated_microseconds", ())
    missing = EARLIEST - 1 if query.descending else LATEST + 1
    return _Condition(
        "coalesce((SELECT min(low) FROM date_index WHERE resource_key = r.key AND parameter = ?), ?)",
        (query.sort, missing),
    )


def _condition_of(query: Query) -> _Condition:
    parts = [_Condition("r.resource_type = ? AND r.deleted = 0", (query.resource_type,))]
    parts += [_criterion_condition(query.resource_type, criterion) for criterion in query.criteria]
    return _Condition(
        " AND ".join(part.sql for part in parts), tuple(value for part in parts for value in part.values)
    )


def _criterion_condition(resource_type: str, criterion: Criterion) -> _Condition:
    parts = [_choice_condition(resource_type, criterion.parameter, choice) for choice in criterion.choices]
    if not parts:
        return _Condition("0", ())
    return _Condition(
        f"({' OR '.join(part.sql for part in parts)})",
        tuple(value for part in parts for value in part.values),
    )


def _choice_condition(resource_type: str, parameter: str, choice: Choice) -> _Condition:
    if isinstance(choice, TokenChoice):
        if parameter == "_id":
            return _Condition(
                "r.key IN (SELECT key FROM resource WHERE resource_type = ? AND resource_id = ?)",
                (resource_type, choice.code or ""),
            )
        return _token_condition(resource_type, parameter, choice)
    if isinstance(choice, ReferenceChoice):
        marks = ", ".join("?" * len(choice.targets))
        return _Condition(
            "r.key IN (SELECT resource_key FROM reference_index"  # noqa: S608 - only question marks are put in.
            f" WHERE parameter = ? AND target IN ({marks}) AND resource_type = ?)",
            (parameter, *choice.targets, resource_type),
        )
    return _date_condition(resource_type, parameter, choice)


def _token_condition(resource_type: str, parameter: str, choice: TokenChoice) -> _Condition:
    sql = "SELECT resource_key FROM token_index WHERE resource_type = ? AND parameter = ?"
    values: tuple[Any, ...] = (resource_type, parameter)
    if choice.code is not None:
        sql, values = f"{sql} AND code = ?", (*values, choice.code)
    if choice.system is not None:
        sql, values = f"{sql} AND system = ?", (*values, choice.system)
    return _Condition(f"r.key IN ({sql})", values)


def _date_condition(resource_type: str, parameter: str, choice: DateChoice) -> _Condition:
    template, ends = _DATE_CONDITIONS[choice.prefix]
    bounds = tuple(getattr(choice.range, end) for end in ends.split())
    if parameter == "_lastUpdated":
        low, high = "r.updated_microseconds", f"(r.updated_microseconds + {_ONE_MILLISECOND})"
        return _Condition(f"({template.format(low=low, high=high)})", bounds)
    condition = template.format(low="low", high="high")
    if choice.prefix == "eq":
        # A range closed on both sides is few rows, and the index finds them.
        return _Condition(
            "r.key IN (SELECT resource_key FROM date_index WHERE resource_type = ? AND parameter = ?"  # noqa: S608 - values are bound.
            f" AND {condition} AND low < ?)",
            (resource_type, parameter, *bounds, choice.range.high),
        )
    # A range open on one side may be most rows: it is looked up for what the other criteria leave.
    return _Condition(
        f"EXISTS (SELECT 1 FROM date_index WHERE resource_key = r.key AND parameter = ? AND {condition})",  # noqa: S608 - values are bound.
        (parameter, *bounds),
    )


def _entry(resource_type: str, row: tuple[Any, ...], base: str) -> dict[str, Any]:
    _, _, resource_id, body = row
    return {
        "fullUrl": f"{base}/{resource_type}/{resource_id}",
        "resource": orjson.Fragment(body),
        "search": {"mode": "match"},
    }


def _ignored_outcome(query: Query) -> dict[str, Any]:
    return outcome_of(
        Issue(
            "not-supported",
            f"The search parameter {name} with its value is not supported for {query.resource_type}: ignored.",
            severity="warning",
        )
        for name in query.ignored
    )


def _link(query: Query, base: str, cursor: str | None) -> str:
    pairs = [*query.used, (CURSOR, cursor)] if cursor else query.used
    address = f"{base}/{query.resource_type}"
    return f"{address}?{urlencode(pairs, quote_via=quote, safe='/:,')}" if pairs else address


def _cursor_after(row: tuple[Any, ...]) -> str:
    return base64.urlsafe_b64encode(json.dumps([row[0], row[1]]).encode()).decode().rstrip("=")


def _read_cursor(query: Query) -> tuple[Any, int]:
    cursor = query.cursor or ""
    try:
        sort_value, key = json.loads(base64.urlsafe_b64decode(cursor + "=" * (-len(cursor) % 4)))
    except (binascii.Error, ValueError, TypeError) as error:
        raise refuse(400, "value", "The page that the link points at cannot be read.") from error
    expected: type = str if query.sort == "_id" else int
    numbers = [number for number in (sort_value, key) if isinstance(number, int)]
    if (
        not isinstance(sort_value, expected)
        or not isinstance(key, int)
        or any(abs(number) > LATEST + 1 for number in numbers)
    ):
        raise refuse(400, "value", "The page that the link points at belongs to another order.")
    return sort_value, key
