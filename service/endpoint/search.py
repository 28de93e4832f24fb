"""Search: criteria to SQL over the index, pages that inserts do not shift, and the searchset."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote, urlencode

import orjson

from service.endpoint.date_ranges import EARLIEST, LATEST
from service.endpoint.read_query import (
    CURSOR,
    Choice,
    Criterion,
    Cursor,
    DateChoice,
    Query,
    ReferenceChoice,
    TokenChoice,
)
from service.exact_json import write_json

_DATE_CONDITIONS = {
    "eq": ("{low} >= ? AND {high} <= ?", "low high"),
    "gt": ("{high} > ?", "high"),
    "lt": ("{low} < ?", "low"),
    "ge": ("({high} > ? OR ({low} >= ? AND {high} <= ?))", "high low high"),
    "le": ("({low} < ? OR ({low} >= ? AND {high} <= ?))", "low low high"),
}
"""For each prefix the condition on a stored range, and which ends of the searched range it takes.

Source: FHIR R4, search, section 3.1.1.4.7 and the table of prefixes."""

_ONE_MILLISECOND = 1000
_MOST_PAGE_BYTES = 16 * 1024 * 1024
"""After this much a page ends: one body of the greatest size, or thousands of the usual one."""


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


def search(connection: sqlite3.Connection, query: Query, base: str) -> bytes:
    """Return the searchset Bundle of `query`, in its order, with total and links.

    A page ends early where its resources become large.
    """
    links = [{"relation": "self", "url": _link(query, base, query.cursor)}]
    rows, is_last = _page(connection, query) if query.count else ([], True)
    if not is_last:
        links.append({"relation": "next", "url": _link(query, base, Cursor(rows[-1][0], rows[-1][1]))})
    bundle: dict[str, Any] = {"resourceType": "Bundle", "type": "searchset", "total": _count(connection, query)}
    bundle["link"] = links
    if rows:
        bundle["entry"] = [_entry(query.resource_type, row, base) for row in rows]
    return write_json(bundle)


def _count(connection: sqlite3.Connection, query: Query) -> int:
    condition = _condition_of(query)
    sql = f"SELECT count(*) FROM resource r WHERE {condition.sql}"  # noqa: S608 - values are bound.
    total: int = connection.execute(sql, condition.values).fetchone()[0]
    return total


def _page(connection: sqlite3.Connection, query: Query) -> tuple[list[tuple[Any, ...]], bool]:
    """Return rows of sort value, key, id and body that follow the cursor, and whether they are the last ones."""
    condition = _condition_of(query)
    sort = _sort_value(query)
    direction, beyond = ("DESC", "<") if query.descending else ("ASC", ">")
    # The key settles the order of equal sort values, so a page begins exactly where the last one ended.
    position, order = "(sort_value, key)", f"sort_value {direction}, key {direction}"
    start: tuple[int, ...] = () if query.cursor is None else (query.cursor.sort_value, query.cursor.key)
    if query.sort is None:
        position, order, start = "key", "key", start[1:]
    after = f" AND {position} {beyond} ({', '.join('?' * len(start))})" if start else ""
    sql = (
        f"SELECT p.sort_value, p.key, p.resource_id, v.body FROM (SELECT {sort.sql} AS sort_value, r.key AS key,"  # noqa: S608 - values are bound.
        f" r.resource_id, r.version FROM resource r WHERE {condition.sql}{after} ORDER BY {order} LIMIT ?) p"
        f" JOIN version v ON v.resource_key = p.key AND v.version = p.version ORDER BY {order}"
    )
    rows: list[tuple[Any, ...]] = []
    size = 0
    for row in connection.execute(sql, (*sort.values, *condition.values, *start, query.count + 1)):
        if len(rows) == query.count or size > _MOST_PAGE_BYTES:
            return rows, False
        rows.append(row)
        size += len(row[3])
    return rows, True


def _sort_value(query: Query) -> _Condition:
    if query.sort is None:
        return _Condition("0", ())
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
        return _Condition(
            "r.key IN (SELECT resource_key FROM reference_index"
            " WHERE parameter = ? AND target = ? AND resource_type = ?)",
            (parameter, choice.target, resource_type),
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


def _link(query: Query, base: str, cursor: Cursor | None) -> str:
    pairs = [*query.used, (CURSOR, f"{cursor.sort_value},{cursor.key}")] if cursor else query.used
    address = f"{base}/{query.resource_type}"
    return f"{address}?{urlencode(pairs, quote_via=quote, safe='/:,')}" if pairs else address
