"""A transaction or batch, carried out and answered entry by entry."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping, Sequence
from datetime import datetime
from http import HTTPStatus
from typing import Any

import orjson

from service.endpoint.outcomes import Issue, RefusalError, outcome_of
from service.endpoint.prepare_bundle import Entry, ReadEntry
from service.endpoint.read_interactions import Found, read_address
from service.endpoint.stored_versions import StoredVersion
from service.endpoint.write_steps import Done, Step, carry_out

SUCCESS = Issue("informational", "Done.", severity="information")


def answer_transaction(
    connection: sqlite3.Connection, entries: Sequence[Entry], *, now: datetime, base: str, answer: str | None
) -> dict[str, Any]:
    """Return the transaction-response; RefusalError where any entry fails, and the caller rolls back."""
    steps = [entry for entry in entries if isinstance(entry, Step)]
    done = iter(carry_out(connection, steps, now=now, base=base))
    responses = [None if isinstance(entry, ReadEntry) else _written(next(done), answer) for entry in entries]
    return {
        "resourceType": "Bundle",
        "type": "transaction-response",
        "entry": [
            _read(connection, entry, base) if isinstance(entry, ReadEntry) else response
            for entry, response in zip(entries, responses, strict=True)
        ],
    }


def answer_batch(
    connection: sqlite3.Connection,
    entries: Sequence[Entry | RefusalError],
    *,
    now: datetime,
    base: str,
    answer: str | None,
) -> dict[str, Any]:
    """Return the batch-response; an entry that fails is answered with its outcome and leaves nothing."""
    return {
        "resourceType": "Bundle",
        "type": "batch-response",
        "entry": [_batch_entry(connection, entry, now, base, answer) for entry in entries],
    }


def _batch_entry(
    connection: sqlite3.Connection, entry: Entry | RefusalError, now: datetime, base: str, answer: str | None
) -> Mapping[str, Any]:
    if isinstance(entry, RefusalError):
        return _refused(entry)
    connection.execute("SAVEPOINT entry")
    try:
        if isinstance(entry, ReadEntry):
            response = _read(connection, entry, base)
        else:
            response = _written(carry_out(connection, [entry], now=now, base=base)[0], answer)
    except RefusalError as refusal:
        connection.execute("ROLLBACK TO entry")
        return _refused(refusal)
    finally:
        connection.execute("RELEASE entry")
    return response


def _written(done: Done, answer: str | None) -> dict[str, Any]:
    response: dict[str, Any] = {"status": _status_line(done.status)}
    if done.version is not None:
        response |= _version_members(done.version)
    if answer == "OperationOutcome":
        response["outcome"] = outcome_of([SUCCESS])
    entry: dict[str, Any] = {"response": response}
    if answer == "representation" and done.version is not None and done.version.body is not None:
        entry = {"resource": orjson.Fragment(done.version.body)} | entry
    return entry


def _read(connection: sqlite3.Connection, entry: ReadEntry, base: str) -> dict[str, Any]:
    try:
        found: Found = read_address(connection, entry.address, base)
    except RefusalError as refusal:
        raise refusal.within(entry.place) from refusal
    response: dict[str, Any] = {"status": _status_line(200)}
    if found.version is not None:
        response |= _version_members(found.version)
    body = {"resource": orjson.Fragment(found.body)} if entry.method == "GET" else {}
    return body | {"response": response}


def _version_members(version: StoredVersion) -> dict[str, str]:
    return {"location": version.location, "etag": version.etag, "lastModified": version.updated_at}


def _refused(refusal: RefusalError) -> dict[str, Any]:
    return {"response": {"status": _status_line(refusal.status), "outcome": outcome_of(refusal.issues)}}


def _status_line(status: int) -> str:
    return f"{status} {HTTPStatus(status).phrase}"
