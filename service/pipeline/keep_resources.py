"""Keeps the resources that have changed and puts them into the outbox, in the transaction of their record."""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

from service.audit.append_entry import Action, Happening, append_entry
from service.exact_json import read_json, write_json
from service.mapping.apply_mapping import MadeResource
from service.records.receipts import Receipt
from service.records.references import references_in
from service.storage.deliveries import OPEN_STATES, NewDelivery, enqueue
from service.storage.remote_ids import remote_id
from service.storage.resources import KnownVersion, StoredResource, find_resource, keep_resources, known_versions
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


@dataclass(frozen=True, slots=True)
class _Outgoing:
    """A resource that a new delivery brings, what it refers to, and what is known of the version before."""

    made: MadeResource
    record: str
    body: bytes
    sha256: str
    refers_to: frozenset[str]
    known: KnownVersion | None


class _Known:
    """What is known of the newest versions of resources, asked for together and once in a transaction."""

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


def _referred(outgoing: Sequence[_Outgoing]) -> set[str]:
    """Return the references of a delivery to what is not in it."""
    return {reference for one in outgoing for reference in one.refers_to} - {one.made.reference for one in outgoing}


def _brought_along(tx: Transaction, outgoing: Sequence[_Outgoing], versions: _Known) -> list[_Outgoing]:
    """Return what a delivery refers to and a person has discarded, as it stands, unless a version of it arrived."""
    brought: list[_Outgoing] = []
    for reference, known in sorted(versions.of(_referred(outgoing)).items()):
        if known.state != "discarded":
            continue
        resource = find_resource(tx, *reference.split("/", 1))
        if resource is not None and remote_id(tx, resource.resource_type, resource.resource_id) is None:
            read = read_json(resource.body)
            made = MadeResource(resource.resource_type, resource.resource_id, "", resource.rule, read)
            refers_to = frozenset(references_in(read))
            brought.append(_Outgoing(made, resource.record, resource.body, resource.sha256, refers_to, known))
    return brought


def _waits(outgoing: Sequence[_Outgoing], versions: _Known) -> tuple[frozenset[int], bool]:
    """Return the deliveries that must arrive first, and whether something that is referred to was discarded.

    First must arrive: earlier versions, and whatever is referred to.
    """
    referred = versions.of(_referred(outgoing)).values()
    previous = [one.known for one in outgoing if one.known is not None]
    waits = frozenset(known.delivery_id for known in [*previous, *referred] if known.state in OPEN_STATES)
    return waits, any(known.state == "discarded" for known in referred)


def _changed(resources: Sequence[RecordResource], versions: _Known) -> list[_Outgoing]:
    """Return those of the resources that differ from their newest version.

    A record of which something changes brings also what of it is held or was discarded: that has not arrived, and
    so the record can stand without the delivery before it.
    """
    refer_to = [frozenset(references_in(resource.made.body)) for resource in resources]
    own = {resource.made.reference for resource in resources}
    known_of = versions.of(own.union(*refer_to))
    changed: list[_Outgoing] = []
    unchanged: list[_Outgoing] = []
    for resource, refers_to in zip(resources, refer_to, strict=True):
        body = write_json(resource.made.body)
        digest = hashlib.sha256(body).hexdigest()
        known = known_of.get(resource.made.reference)
        one = _Outgoing(resource.made, resource.record, body, digest, refers_to, known)
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
    versions = _Known(tx)
    outgoing = _changed(resources, versions)
    if not outgoing:
        return []
    waits, refers_to_discarded = _waits(outgoing, versions)
    while refers_to_discarded and (brought := _brought_along(tx, outgoing, versions)):
        outgoing += brought
        waits, refers_to_discarded = _waits(outgoing, versions)
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
    keep_resources(
        tx,
        [
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
            )
            for one in outgoing
        ],
    )
    detail = {"delivery": delivery_id, "resources": {one.made.reference: one.sha256 for one in outgoing}}
    append_entry(tx, receipt, Happening(Action.MAPPED, owner.record, "queued", owner.case_id, detail))
    return [one.made.reference for one in outgoing]
