"""The rows of a resource: its present version, its earlier ones and its index, as functions on one connection."""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

from service.endpoint.index_resource import ANY_REFERENCE, IndexRows, index_resource
from service.exact_json import write_json

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class StoredVersion:
    """One version of a resource as the store has it; `body` is None where the version is a deletion."""

    resource_type: str
    resource_id: str
    version: int
    method: str
    updated_at: str
    body: bytes | None

    @property
    def location(self) -> str:
        """The version's own address below the base."""
        return f"{self.resource_type}/{self.resource_id}/_history/{self.version}"

    @property
    def etag(self) -> str:
        """The version as a weak entity tag."""
        return f'W/"{self.version}"'


@dataclass(frozen=True, slots=True)
class Current:
    """The present state of a resource's row."""

    key: int
    version: int
    deleted: bool
    content_hash: bytes | None


def find_current(connection: sqlite3.Connection, resource_type: str, resource_id: str) -> Current | None:
    """Return the row of a resource, a deleted one included; None where it never was."""
    row = connection.execute(
        "SELECT key, version, deleted, content_hash FROM resource WHERE resource_type = ? AND resource_id = ?",
        (resource_type, resource_id),
    ).fetchone()
    return Current(row[0], row[1], bool(row[2]), row[3]) if row else None


def find_version(
    connection: sqlite3.Connection, resource_type: str, resource_id: str, version: int | None = None
) -> StoredVersion | None:
    """Return the version asked for, the present one where none is named; None where there is none."""
    row = connection.execute(
        "SELECT v.version, v.method, v.updated_at, v.body FROM resource r JOIN version v ON v.resource_key = r.key"
        " WHERE r.resource_type = ? AND r.resource_id = ? AND v.version = coalesce(?, r.version)",
        (resource_type, resource_id, version),
    ).fetchone()
    return StoredVersion(resource_type, resource_id, *row) if row else None


def put_version(
    connection: sqlite3.Connection,
    current: Current | None,
    resource: Mapping[str, Any],
    *,
    method: str,
    now: datetime,
    base: str,
) -> StoredVersion:
    """Write `resource`, which has its id, as the version after `current` and return that; index included.

    Members keep their order and numbers their digits; only `id`, `meta.versionId` and `meta.lastUpdated` are
    the endpoint's.
    """
    resource_type, resource_id = resource["resourceType"], resource["id"]
    version = current.version + 1 if current else 1
    updated_at = _instant(now)
    stamped = _stamp(resource, version, updated_at)
    body = write_json(stamped)
    key = _put_row(connection, current, resource, version, now)
    connection.execute(
        "INSERT INTO version (resource_key, version, method, updated_at, body) VALUES (?, ?, ?, ?, ?)",
        (key, version, method, updated_at, body),
    )
    if current:
        _clear_index(connection, key)
    _insert_index(connection, resource_type, key, index_resource(stamped, base))
    return StoredVersion(resource_type, resource_id, version, method, updated_at, body)


def delete_version(
    connection: sqlite3.Connection, resource_type: str, resource_id: str, now: datetime
) -> StoredVersion | None:
    """Write a deletion as the next version and return it; None where there is nothing to delete."""
    current = find_current(connection, resource_type, resource_id)
    if current is None or current.deleted:
        return None
    version, updated_at = current.version + 1, _instant(now)
    connection.execute(
        "UPDATE resource SET version = ?, updated_microseconds = ?, deleted = 1, content_hash = NULL WHERE key = ?",
        (version, _microseconds(now), current.key),
    )
    connection.execute(
        "INSERT INTO version (resource_key, version, method, updated_at) VALUES (?, ?, 'DELETE', ?)",
        (current.key, version, updated_at),
    )
    _clear_index(connection, current.key)
    return StoredVersion(resource_type, resource_id, version, "DELETE", updated_at, None)


def exists(connection: sqlite3.Connection, target: str) -> bool:
    """Return whether `Type/id` is there and not deleted."""
    resource_type, _, resource_id = target.partition("/")
    current = find_current(connection, resource_type, resource_id)
    return current is not None and not current.deleted


def find_referrer(connection: sqlite3.Connection, target: str) -> str | None:
    """Return `Type/id` of some other resource that refers to `target`, or None."""
    row = connection.execute(
        "SELECT r.resource_type || '/' || r.resource_id FROM reference_index i JOIN resource r"
        " ON r.key = i.resource_key WHERE i.parameter = ? AND i.target = ?"
        " AND r.resource_type || '/' || r.resource_id <> i.target LIMIT 1",
        (ANY_REFERENCE, target),
    ).fetchone()
    return str(row[0]) if row else None


def resource_digest(resource: Mapping[str, Any]) -> bytes:
    """Return a hash that is equal for equal content: digits count, the order of members does not.

    The endpoint's own `meta.versionId` and `meta.lastUpdated` are left out.
    """
    content = dict(resource)
    meta = {
        name: value for name, value in content.pop("meta", {}).items() if name not in {"versionId", "lastUpdated"}
    }
    if meta:
        content["meta"] = meta
    return hashlib.sha256(write_json(_sorted(content))).digest()


def _sorted(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {name: _sorted(value[name]) for name in sorted(value)}
    if isinstance(value, list):
        return [_sorted(item) for item in value]
    return value


def _stamp(resource: Mapping[str, Any], version: int, updated_at: str) -> dict[str, Any]:
    stamped: dict[str, Any] = {
        "resourceType": resource["resourceType"],
        "id": resource["id"],
        "meta": {**resource.get("meta", {}), "versionId": str(version), "lastUpdated": updated_at},
    }
    return stamped | {name: value for name, value in resource.items() if name not in stamped}


def _put_row(
    connection: sqlite3.Connection,
    current: Current | None,
    resource: Mapping[str, Any],
    version: int,
    now: datetime,
) -> int:
    values = (version, _microseconds(now), resource_digest(resource))
    if current:
        connection.execute(
            "UPDATE resource SET version = ?, updated_microseconds = ?, content_hash = ?, deleted = 0"
            " WHERE key = ?",
            (*values, current.key),
        )
        return current.key
    key = connection.execute(
        "INSERT INTO resource (version, updated_microseconds, content_hash, deleted, resource_type, resource_id)"
        " VALUES (?, ?, ?, 0, ?, ?)",
        (*values, resource["resourceType"], resource["id"]),
    ).lastrowid
    if key is None:
        raise RuntimeError("SQLite gave the new row no key")
    return key


def _clear_index(connection: sqlite3.Connection, key: int) -> None:
    connection.execute("DELETE FROM token_index WHERE resource_key = ?", (key,))
    connection.execute("DELETE FROM reference_index WHERE resource_key = ?", (key,))
    connection.execute("DELETE FROM date_index WHERE resource_key = ?", (key,))


def _insert_index(connection: sqlite3.Connection, resource_type: str, key: int, rows: IndexRows) -> None:
    connection.executemany(
        "INSERT INTO token_index (resource_type, resource_key, parameter, system, code) VALUES (?, ?, ?, ?, ?)",
        ((resource_type, key, *row) for row in rows.tokens),
    )
    connection.executemany(
        "INSERT INTO reference_index (resource_type, resource_key, parameter, target) VALUES (?, ?, ?, ?)",
        ((resource_type, key, *row) for row in rows.references),
    )
    connection.executemany(
        "INSERT INTO date_index (resource_type, resource_key, parameter, low, high) VALUES (?, ?, ?, ?, ?)",
        ((resource_type, key, *row) for row in rows.dates),
    )


def _microseconds(moment: datetime) -> int:
    # The stored instant has milliseconds, and what is searched must be what is shown.
    return (moment.astimezone(UTC) - _EPOCH) // timedelta(milliseconds=1) * 1000


def _instant(moment: datetime) -> str:
    return moment.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
