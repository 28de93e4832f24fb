"""Holds what the store keeps against the audit log: every record, resource and sent Bundle is as its entry says.

Not vouched for, since it can be made again from what is: the answers to clients, the readings of clocks, when
something is tried again, the ids that a destination gave.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from typing import Any

from sqlalchemy import Table, and_, bindparam, case, func, select

from service.audit.append_entry import Action
from service.exact_json import BrokenJsonError
from service.records.record_keys import check_of, device_of
from service.records.references import type_and_id
from service.storage.audit_entries import AuditEntry, refused_body
from service.storage.deliveries import resources_of_delivery
from service.storage.schema import batches, cases, checks, devices, events, resources
from service.storage.statements import Statement, Transaction

_EVENT = Statement(
    select(
        events.c.content,
        events.c.content_hash,
        events.c.actor,
        events.c.received_at,
        events.c.kind,
        events.c.clock,
        events.c.retracted,
    ).where(
        events.c.case_id == bindparam("case_id"),
        events.c.event_id == bindparam("event_id"),
        events.c.version == bindparam("version"),
    )
)
_CASE = Statement(
    select(cases.c.content, cases.c.content_hash, cases.c.actor, cases.c.received_at).where(
        cases.c.case_id == bindparam("case_id"), cases.c.version == bindparam("version")
    )
)
_CHECK = Statement(
    select(checks.c.content, checks.c.content_hash, checks.c.actor, checks.c.received_at, checks.c.outcome).where(
        checks.c.device_id == bindparam("device_id"), checks.c.check_id == bindparam("check_id")
    )
)
_DEVICE = Statement(
    select(devices.c.content, devices.c.content_hash, devices.c.version).where(
        devices.c.device_id == bindparam("device_id")
    )
)
_RESOURCE = Statement(
    select(resources.c.body, resources.c.sha256).where(
        resources.c.resource_type == bindparam("resource_type"),
        resources.c.resource_id == bindparam("resource_id"),
    )
)
_BATCH = Statement(select(batches.c.body).where(batches.c.batch_id == bindparam("batch_id")))


def _wrongly_current(table: Table, keys: tuple[str, ...]) -> Statement:
    """Return the count of rows whose `current` is anything but 1 for the newest version and 0 for the others."""
    other = table.alias("other")
    newest = (
        select(func.max(other.c.version)).where(and_(*(other.c[key] == table.c[key] for key in keys)))
    ).scalar_subquery()
    wanted = case((table.c.version == newest, 1), else_=0)
    return Statement(select(func.count()).select_from(table).where(table.c.current != wanted))


_WRONGLY_CURRENT = {
    "events": _wrongly_current(events, ("case_id", "event_id")),
    "cases": _wrongly_current(cases, ("case_id",)),
}
_COUNTS = {
    "events": Statement(select(func.count()).select_from(events)),
    "cases": Statement(select(func.count()).select_from(cases)),
    "checks": Statement(select(func.count()).select_from(checks)),
    "devices": Statement(select(func.count()).select_from(devices).where(devices.c.registered == 1)),
    "resources": Statement(select(func.count()).select_from(resources)),
}


def _sha256(body: bytes) -> str:
    return hashlib.sha256(body).hexdigest()


class KeptRows:
    """Verifies the rows that a log vouches for, entry by entry, and at the end what no entry vouches for."""

    def __init__(self, tx: Transaction) -> None:
        self._tx = tx
        self._vouched = dict.fromkeys(("events", "cases", "checks"), 0)
        self._devices: dict[str, tuple[int, Mapping[str, Any]]] = {}
        self._resources: dict[str, tuple[int, str]] = {}

    def faults_of(self, entry: AuditEntry, detail: Mapping[str, Any]) -> Iterator[str]:
        """Yield what is wrong with the rows an entry vouches for; entry and detail are as they were written."""
        if "body_sha256" in detail:
            yield from self._faults_of_refused(entry.number, detail["body_sha256"])
        if "delivery" in detail:
            for reference, digest in detail["resources"].items():
                self._resources[reference] = entry.number, digest
            yield from self._faults_of_delivery(entry.number, detail)
        match entry.action:
            case Action.EVENT_TAKEN | Action.EVENT_CORRECTED | Action.EVENT_RETRACTED:
                yield from self._faults_of_event(entry, detail)
            case Action.CASE_TAKEN | Action.CASE_AMENDED:
                self._vouched["cases"] += 1
                row = self._tx.one(_CASE, case_id=entry.case_id, version=detail["version"])
                yield from _faults_of_record("case", entry, detail, row)
            case Action.CHECK_TAKEN:
                self._vouched["checks"] += 1
                device_id, check_id = check_of(entry.subject)
                row = self._tx.one(_CHECK, device_id=device_id, check_id=check_id)
                yield from _faults_of_record("check", entry, detail, row, (detail["outcome"],))
            case Action.DEVICE_TAKEN:
                # Only the newest version of a device is kept, so only the newest entry can be held against it.
                self._devices[device_of(entry.subject)] = entry.number, detail
            case Action.ATTEMPT:
                row = self._tx.one(_BATCH, batch_id=detail["batch"])
                if row is None or _sha256(row[0]) != detail["body_hash"]:
                    yield f"the Bundle that entry {entry.number} sent was changed or is gone"

    def faults_of_rest(self) -> Iterator[str]:
        """Yield what is wrong with the newest versions, and which tables hold rows that no entry tells of."""
        for device_id, (number, detail) in self._devices.items():
            row = self._tx.one(_DEVICE, device_id=device_id)
            wanted = (detail["content_sha256"], detail["content_hash"], detail["version"])
            if row is None or (_sha256(row[0]), *row[1:]) != wanted:
                yield f"the device that entry {number} took was changed or is gone"
        for reference, (number, digest) in self._resources.items():
            resource_type, resource_id = type_and_id(reference)
            row = self._tx.one(_RESOURCE, resource_type=resource_type, resource_id=resource_id)
            if row is None or (_sha256(row[0]), row[1]) != (digest, digest):
                yield f"the resource {reference} of entry {number} was changed or is gone"
        vouched = {**self._vouched, "devices": len(self._devices), "resources": len(self._resources)}
        for table, statement in _COUNTS.items():
            found = self._tx.one(statement)
            if found is not None and found[0] > vouched[table]:
                yield f"rows of the table {table} without a matching entry: {found[0] - vouched[table]}"
        for table, statement in _WRONGLY_CURRENT.items():
            found = self._tx.one(statement)
            if found is not None and found[0]:
                yield f"rows of the table {table} that are wrong about which version is the current one: {found[0]}"

    def _faults_of_refused(self, number: int, digest: str) -> Iterator[str]:
        body = refused_body(self._tx, number)
        if body is None:
            yield f"the body that entry {number} refused is gone"
        elif _sha256(body) != digest:
            yield f"the body that entry {number} refused was changed"

    def _faults_of_event(self, entry: AuditEntry, detail: Mapping[str, Any]) -> Iterator[str]:
        self._vouched["events"] += 1
        row = self._tx.one(_EVENT, case_id=entry.case_id, event_id=detail["event_id"], version=detail["version"])
        retracted = int(entry.action == Action.EVENT_RETRACTED)
        yield from _faults_of_record("event", entry, detail, row, (detail["kind"], detail["clock"], retracted))

    def _faults_of_delivery(self, number: int, detail: Mapping[str, Any]) -> Iterator[str]:
        try:
            kept = {
                f"{resource_type}/{resource_id}": _sha256(body)
                for resource_type, resource_id, body in resources_of_delivery(self._tx, detail["delivery"])
            }
        except (BrokenJsonError, ValueError, IndexError, TypeError):
            kept = {}
        if kept != detail["resources"]:
            yield f"the delivery that entry {number} queued was changed or is gone"


def _faults_of_record(
    name: str,
    entry: AuditEntry,
    detail: Mapping[str, Any],
    row: tuple[Any, ...] | None,
    more: tuple[Any, ...] = (),
) -> Iterator[str]:
    """Yield what is wrong with a record's row: content, its hash, actor and time of receipt, then `more`."""
    if row is None:
        yield f"the {name} that entry {entry.number} took is gone"
        return
    wanted = (detail["content_sha256"], detail["content_hash"], entry.actor, entry.recorded_at, *more)
    if (_sha256(row[0]), *row[1:]) != wanted:
        yield f"the {name} that entry {entry.number} took was changed"
