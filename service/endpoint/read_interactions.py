"""The interactions that change nothing: read, vread, history and search, by an address below the base."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from typing import Any

import orjson

from service.endpoint.outcomes import refuse
from service.endpoint.read_query import CURSOR, GREATEST_COUNT, USUAL_COUNT, read_query, split_query
from service.endpoint.references import LOGICAL_ID
from service.endpoint.search import search
from service.endpoint.stored_versions import StoredVersion, find_version
from service.exact_json import write_json


@dataclass(frozen=True, slots=True)
class Found:
    """What a reading interaction answers: the JSON of a resource, and the version that it is, if it is one."""

    body: bytes
    version: StoredVersion | None = None


def read_address(connection: sqlite3.Connection, address: str, base: str) -> Found:
    """Return what GET of `address` (`Type/id`, `Type/id/_history/3`, `Type/id/_history`, `Type?...`) answers.

    Raises RefusalError where the address or what it names does not exist.
    """
    path, _, query = address.partition("?")
    match path.split("/"):
        case [resource_type]:
            return search_type(connection, resource_type, split_query(query), base)
        case [resource_type, resource_id]:
            return read(connection, resource_type, resource_id)
        case [resource_type, resource_id, "_history"]:
            return history(connection, resource_type, resource_id, split_query(query), base)
        case [resource_type, resource_id, "_history", version]:
            return read(connection, resource_type, resource_id, version)
    raise refuse(404, "not-found", "There is no such interaction.")


def read(connection: sqlite3.Connection, resource_type: str, resource_id: str, version: str | None = None) -> Found:
    """Return a resource as it stands, or one version of it; RefusalError 404 where it never was, 410 if deleted."""
    wanted = None if version is None else _version_number(version)
    found = find_version(connection, resource_type, resource_id, wanted)
    if found is None or not LOGICAL_ID.fullmatch(resource_id):
        raise refuse(404, "not-found", "There is no such resource, or no such version of it.")
    if found.body is None:
        raise refuse(410, "deleted", "The resource was deleted.")
    return Found(found.body, found)


def history(
    connection: sqlite3.Connection,
    resource_type: str,
    resource_id: str,
    pairs: list[tuple[str, str]],
    base: str,
) -> Found:
    """Return the versions of one resource, newest first, as a history Bundle; `_count` cuts it into pages."""
    settings = dict(pairs)
    count = min(_version_number(settings.get("_count", str(USUAL_COUNT))), GREATEST_COUNT)
    before = _version_number(settings[CURSOR]) if CURSOR in settings else None
    newest = find_version(connection, resource_type, resource_id)
    if newest is None:
        raise refuse(404, "not-found", "There is no such resource.")
    rows = connection.execute(
        "SELECT v.version, v.method, v.updated_at, v.body FROM resource r JOIN version v ON v.resource_key = r.key"
        " WHERE r.resource_type = ? AND r.resource_id = ? AND v.version < ? ORDER BY v.version DESC LIMIT ?",
        (resource_type, resource_id, newest.version + 1 if before is None else before, count),
    ).fetchall()
    versions = [StoredVersion(resource_type, resource_id, *row) for row in rows]
    address = f"{base}/{resource_type}/{resource_id}/_history"
    links = [{"relation": "self", "url": address if not pairs else f"{address}?_count={count}"}]
    if versions and versions[-1].version > 1:
        links.append({"relation": "next", "url": f"{address}?_count={count}&{CURSOR}={versions[-1].version}"})
    bundle: dict[str, Any] = {"resourceType": "Bundle", "type": "history", "total": newest.version, "link": links}
    if versions:
        bundle["entry"] = [_history_entry(version, base) for version in versions]
    return Found(write_json(bundle))


def search_type(
    connection: sqlite3.Connection,
    resource_type: str,
    pairs: list[tuple[str, str]],
    base: str,
    *,
    strict: bool = False,
) -> Found:
    """Return the searchset of a search; `strict` refuses (400) what would otherwise be ignored and named."""
    query = read_query(resource_type, pairs, base)
    if strict and query.ignored:
        names = ", ".join(query.ignored)
        raise refuse(400, "not-supported", f"Not supported for {resource_type}, or not with this value: {names}.")
    return Found(write_json(search(connection, query, base)))


def _history_entry(version: StoredVersion, base: str) -> dict[str, Any]:
    path = f"{version.resource_type}/{version.resource_id}"
    entry: dict[str, Any] = {"fullUrl": f"{base}/{path}"}
    if version.body is not None:
        entry["resource"] = orjson.Fragment(version.body)
    entry["request"] = {
        "method": version.method,
        "url": version.resource_type if version.method == "POST" else path,
    }
    entry["response"] = {
        "status": "204" if version.body is None else "201" if version.version == 1 else "200",
        "etag": version.etag,
        "lastModified": version.updated_at,
    }
    return entry


def _version_number(text: str) -> int:
    if not text.isascii() or not text.isdigit() or len(text) > 9:
        raise refuse(404, "not-found", "There is no such version.")
    return int(text)
