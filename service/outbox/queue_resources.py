"""Keeps the resources that have changed and puts them into the outbox, in the transaction of their record."""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from service.audit.append_entry import Action, Happening, append_entry
from service.exact_json import read_json, write_json
from service.making.record_resource import RecordResource
from service.mapping.apply_mapping import MadeResource
from service.records.receipts import Receipt
from service.records.record_keys import case_key, device_key
from service.records.references import references_in_json, type_and_id
from service.storage.deliveries import OPEN_STATES, NewDelivery, enqueue, next_delivery_id
from service.storage.remote_ids import remote_id
from service.storage.resources import KnownVersion, StoredResource, find_resource, keep_resources, known_versions
from service.storage.statements import Transaction


@dataclass(frozen=True, slots=True)
class Owner:
    """Whose resources they are: the lane that keeps their order is the case or the device."""

    lane: str
    case_id: str | None = None
    device_id: str | None = None


def owned_by_case(case_id: str) -> Owner:
    """Return the owner for the records of a case."""
    return Owner(lane=case_key(case_id), case_id=case_id)


def owned_by_device(device_id: str) -> Owner:
    """Return the owner for the records of a device."""
    return Owner(lane=device_key(device_id), device_id=device_id)


@dataclass(frozen=True, slots=True)
class Queued:
    """A delivery that was queued: its number, and the hash of each of its resources by their references."""

    delivery_id: int
    hashes: Mapping[str, str]

    @property
    def detail(self) -> dict[str, Any]:
        """Return what the log tells of it."""
        return {"delivery": self.delivery_id, "resources": self.hashes}


@dataclass(frozen=True, slots=True)
class _Written:
    """A resource as it would be sent, what it refers to, and what is known of the version before."""

    made: MadeResource
    record: str
    body: bytes
    sha256: str
    refers_to: frozenset[str]
    known: KnownVersion | None


class _Known:
    """What is known of the newest versions of resources, asked for together and once."""

    def __init__(self, tx: Transaction) -> None:
        self._tx = tx
        self._asked: set[str] = set()
        self._found: dict[str, KnownVersion] = {}

    def of(self, references: Collection[str]) -> dict[str, KnownVersion]:
        """Return what is known of the resources among `references` that were ever made."""
        new = set(references) - self._asked
        if new:
            self._found |= known_versions(self._tx, new)
            self._asked |= new
        return {reference: self._found[reference] for reference in references if reference in self._found}

    def note(self, reference: str, known: KnownVersion) -> None:
        """Note a version that is newer than what the store told."""
        self._asked.add(reference)
        self._found[reference] = known


def _referred(written: Sequence[_Written]) -> set[str]:
    """Return the references of a delivery to what is not in it."""
    return {reference for one in written for reference in one.refers_to} - {one.made.reference for one in written}


def _brought_along(tx: Transaction, written: Sequence[_Written], versions: _Known) -> list[_Written]:
    """Return what a delivery refers to and a person has discarded, as it stands, unless a version of it arrived."""
    brought: list[_Written] = []
    for reference, known in sorted(versions.of(_referred(written)).items()):
        if known.state != "discarded":
            continue
        resource = find_resource(tx, *type_and_id(reference))
        if resource is not None and remote_id(tx, resource.resource_type, resource.resource_id) is None:
            read = read_json(resource.body)
            made = MadeResource(resource.resource_type, resource.resource_id, "", resource.rule, read)
            refers_to = references_in_json(resource.body)
            brought.append(_Written(made, resource.record, resource.body, resource.sha256, refers_to, known))
    return brought


def _waits(written: Sequence[_Written], versions: _Known) -> tuple[frozenset[int], bool]:
    """Return the deliveries that must arrive first, and whether something that is referred to was discarded.

    First must arrive: earlier versions, and whatever is referred to.
    """
    referred = versions.of(_referred(written)).values()
    previous = [one.known for one in written if one.known is not None]
    waits = frozenset(known.delivery_id for known in [*previous, *referred] if known.state in OPEN_STATES)
    return waits, any(known.state == "discarded" for known in referred)


def _written(resource: RecordResource) -> _Written:
    """Return a resource as it would be sent; what is known of it is asked for later, for all at once."""
    body = write_json(resource.made.body)
    return _Written(
        resource.made,
        resource.record,
        body,
        hashlib.sha256(body).hexdigest(),
        references_in_json(body),
        None,
    )


def _changed(written: Sequence[_Written], versions: _Known) -> list[_Written]:
    """Return those of the resources that differ from their newest version.

    If any resource of a record changed, its held or discarded resources are sent along: they have not arrived, and
    so the record does not need the delivery before it.
    """
    known_of = versions.of({one.made.reference for one in written})
    changed: list[_Written] = []
    unchanged: list[_Written] = []
    for one in written:
        known = known_of.get(one.made.reference)
        if known is None:
            changed.append(one)
        else:
            (unchanged if known.sha256 == one.sha256 else changed).append(replace(one, known=known))
    records = {one.record for one in changed}
    return changed + [
        one
        for one in unchanged
        if one.record in records and one.known is not None and one.known.state in ("held", "discarded")
    ]


def queue_deliveries(
    tx: Transaction, owner: Owner, deliveries: Mapping[str, Sequence[RecordResource]], now: str
) -> dict[str, Queued]:
    """Keep of each delivery what differs from its newest version, and enqueue that, in the given order.

    `deliveries` holds the resources of each by the key of the record that it is about. Returns what was queued by
    the same key; a delivery of which everything came out the same is not sent again, unless it has not arrived.
    The caller logs what was queued.
    """
    versions = _Known(tx)
    written_by_record = {
        record: [_written(resource) for resource in resources] for record, resources in deliveries.items()
    }
    everything = {one.made.reference for own in written_by_record.values() for one in own}
    versions.of(everything.union(*(one.refers_to for own in written_by_record.values() for one in own)))
    queued: dict[str, Queued] = {}
    new: list[NewDelivery] = []
    kept: list[StoredResource] = []
    for record, own in written_by_record.items():
        written = _changed(own, versions)
        if not written:
            continue
        waits, refers_to_discarded = _waits(written, versions)
        while refers_to_discarded and (more := _brought_along(tx, written, versions)):
            written += more
            waits, refers_to_discarded = _waits(written, versions)
        delivery_id = next_delivery_id(tx)
        new.append(_new_delivery(owner, record, delivery_id, written, waits))
        for one in written:
            version = one.known.version + 1 if one.known else 1
            kept.append(_stored(owner, one, version, delivery_id))
            versions.note(one.made.reference, KnownVersion(version, one.sha256, delivery_id, "waiting"))
        queued[record] = Queued(delivery_id, {one.made.reference: one.sha256 for one in written})
    enqueue(tx, new, now)
    keep_resources(tx, kept)
    return queued


def _new_delivery(
    owner: Owner, record: str, delivery_id: int, written: Sequence[_Written], waits: frozenset[int]
) -> NewDelivery:
    return NewDelivery(
        delivery_id=delivery_id,
        lane=owner.lane,
        case_id=owner.case_id,
        device_id=owner.device_id,
        record=record,
        keys=[(one.made.resource_type, one.made.id) for one in written],
        bodies=[one.body for one in written],
        waits_for=waits,
    )


def _stored(owner: Owner, written: _Written, version: int, delivery_id: int) -> StoredResource:
    return StoredResource(
        resource_type=written.made.resource_type,
        resource_id=written.made.id,
        case_id=owner.case_id,
        device_id=owner.device_id,
        record=written.record,
        rule=written.made.rule,
        version=version,
        sha256=written.sha256,
        body=written.body,
        delivery_id=delivery_id,
    )


def by_record(resources: Iterable[RecordResource]) -> dict[str, list[RecordResource]]:
    """Return resources by the keys of their records, in the order in which these first come."""
    records: dict[str, list[RecordResource]] = {}
    for resource in resources:
        records.setdefault(resource.record, []).append(resource)
    return records


def queue_and_log(
    tx: Transaction, owner: Owner, deliveries: Mapping[str, Sequence[RecordResource]], receipt: Receipt
) -> None:
    """Queue deliveries of which no other entry of the log tells, with an entry for each."""
    for record, queued in queue_deliveries(tx, owner, deliveries, receipt.stamp).items():
        append_entry(tx, receipt, Happening(Action.MAPPED, record, "queued", owner.case_id, queued.detail))
