"""Keeps the resources that have changed and puts them into the outbox, in the transaction of their record."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

from service.audit.append_entry import Action, Happening, append_entry
from service.exact_json import read_json, write_json
from service.mapping.apply_mapping import MadeResource
from service.records.receipts import Receipt
from service.storage.deliveries import NewDelivery, enqueue
from service.storage.remote_ids import remote_id
from service.storage.resources import KnownVersion, StoredResource, find_resource, keep_resource, known_version
from service.storage.statements import Transaction


@dataclass(frozen=True, slots=True)
class Owner:
    """Whose resources they are: the lane that keeps their order, and the record that they are made from."""

    lane: str
    record: str
    case_id: str | None = None
    device_id: str | None = None


def case_owner(case_id: str, record: str) -> Owner:
    """Return the owner for a record of a case."""
    return Owner(lane=f"case:{case_id}", record=record, case_id=case_id)


def device_owner(device_id: str, record: str) -> Owner:
    """Return the owner for a record of a device."""
    return Owner(lane=f"device:{device_id}", record=record, device_id=device_id)


@dataclass(frozen=True, slots=True)
class RecordResource:
    """A made resource with the record that it belongs to, which may be a span beside the event at hand."""

    made: MadeResource
    record: str


def references_in(value: Any) -> Iterator[str]:
    """Yield every literal reference `Type/id` that stands anywhere in a resource."""
    if isinstance(value, dict):
        for name, member in value.items():
            if name == "reference" and isinstance(member, str):
                yield member
            elif isinstance(member, dict | list):
                yield from references_in(member)
    elif isinstance(value, list):
        for item in value:
            if isinstance(item, dict | list):
                yield from references_in(item)


@dataclass(frozen=True, slots=True)
class _Outgoing:
    """A resource that a new delivery brings, and what is known of the version before."""

    made: MadeResource
    record: str
    body: bytes
    sha256: str
    known: KnownVersion | None


def _brought_along(tx: Transaction, outgoing: Sequence[_Outgoing]) -> list[_Outgoing]:
    """Return what a delivery refers to and a person has discarded, as it stands, unless a version of it arrived."""
    own = {one.made.reference for one in outgoing}
    brought: list[_Outgoing] = []
    for reference in sorted({reference for one in outgoing for reference in references_in(one.made.body)} - own):
        known = known_version(tx, *reference.split("/", 1))
        if known is None or known.state != "discarded":
            continue
        resource = find_resource(tx, *reference.split("/", 1))
        if resource is not None and remote_id(tx, resource.resource_type, resource.resource_id) is None:
            read = read_json(resource.body)
            made = MadeResource(resource.resource_type, resource.resource_id, "", resource.rule, read)
            brought.append(_Outgoing(made, resource.record, resource.body, resource.sha256, known))
    return brought


def _waits(tx: Transaction, outgoing: Sequence[_Outgoing]) -> tuple[frozenset[int], bool]:
    """Return the deliveries that must arrive first, and whether something that is referred to was discarded.

    First must arrive: earlier versions, and whatever is referred to.
    """
    own = {one.made.reference for one in outgoing}
    referred = [
        known
        for reference in {reference for one in outgoing for reference in references_in(one.made.body)} - own
        if (known := known_version(tx, *reference.split("/", 1))) is not None
    ]
    previous = [one.known for one in outgoing if one.known is not None]
    waits = frozenset(
        known.delivery_id for known in [*previous, *referred] if known.state not in ("delivered", "discarded")
    )
    return waits, any(known.state == "discarded" for known in referred)


def _changed(tx: Transaction, resources: Sequence[RecordResource]) -> list[_Outgoing]:
    """Return those of the resources that differ from their newest version.

    A record of which something changes brings also what of it is held or was discarded: that has not arrived, and
    so the record can stand without the delivery before it.
    """
    changed: list[_Outgoing] = []
    unchanged: list[_Outgoing] = []
    for resource in resources:
        body = write_json(resource.made.body)
        digest = hashlib.sha256(body).hexdigest()
        known = known_version(tx, resource.made.resource_type, resource.made.id)
        one = _Outgoing(resource.made, resource.record, body, digest, known)
        (unchanged if known is not None and known.sha256 == digest else changed).append(one)
    records = {one.record for one in changed}
    return changed + [
        one
        for one in unchanged
        if one.record in records and one.known is not None and one.known.state in ("held", "discarded")
    ]


def keep_by_record(
    tx: Transaction, owner: Owner, resources: Sequence[RecordResource], receipt: Receipt
) -> list[str]:
    """Keep what has changed as one delivery a record, so that an amendment of a long case stays in small pieces.

    Spans go first, since events refer to them, and strips last, since they refer to events.
    """
    records: dict[str, list[RecordResource]] = {}
    for resource in sorted(resources, key=lambda one: not one.record.startswith("span:")):
        records.setdefault(resource.record, []).append(resource)
    return [
        reference
        for record, own in records.items()
        for reference in keep_changed(tx, replace(owner, record=record), own, receipt)
    ]


def keep_changed(tx: Transaction, owner: Owner, resources: Sequence[RecordResource], receipt: Receipt) -> list[str]:
    """Keep those of `resources` that differ from their newest version, and enqueue them as one delivery.

    Returns the references of what is enqueued. A resource that came out the same is not sent again, unless it has
    not arrived. The mapping is logged with the hash of every resource.
    """
    outgoing = _changed(tx, resources)
    if not outgoing:
        return []
    waits, refers_to_discarded = _waits(tx, outgoing)
    while refers_to_discarded and (brought := _brought_along(tx, outgoing)):
        outgoing += brought
        waits, refers_to_discarded = _waits(tx, outgoing)
    delivery_id = enqueue(
        tx,
        NewDelivery(
            lane=owner.lane,
            case_id=owner.case_id,
            device_id=owner.device_id,
            record=owner.record,
            keys=[(one.made.resource_type, one.made.id) for one in outgoing],
            bodies=[one.body for one in outgoing],
            waits_for=waits,
        ),
        receipt.stamp,
    )
    for one in outgoing:
        keep_resource(
            tx,
            StoredResource(
                resource_type=one.made.resource_type,
                resource_id=one.made.id,
                case_id=owner.case_id,
                device_id=owner.device_id,
                record=one.record,
                rule=one.made.rule,
                version=one.known.version + 1 if one.known else 1,
                sha256=one.sha256,
                body=one.body,
                delivery_id=delivery_id,
            ),
        )
    detail = {"delivery": delivery_id, "resources": {one.made.reference: one.sha256 for one in outgoing}}
    append_entry(tx, receipt, Happening(Action.MAPPED, owner.record, "queued", owner.case_id, detail))
    return [one.made.reference for one in outgoing]
