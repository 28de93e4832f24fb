"""Keeps the resources that have changed and puts them into the outbox, in the transaction of their record."""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from service.audit.append_entry import Action, Happening, append_entry
from service.exact_json import write_json
from service.mapping.apply_mapping import MadeResource
from service.pipeline.hold_for_absent import hold_for_absent
from service.records.receipts import Receipt
from service.storage.deliveries import NewDelivery, delivery_state, enqueue, remote_id
from service.storage.resources import KnownVersion, StoredResource, keep_resource, known_version
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


def _waits(
    tx: Transaction, bodies: Sequence[Mapping[str, Any]], previous: Sequence[KnownVersion]
) -> frozenset[int]:
    """Return the deliveries that must arrive first: earlier versions, and whatever is referred to."""
    waiting = {known.delivery_id for known in previous}
    for reference in {reference for body in bodies for reference in references_in(body)}:
        resource_type, _, resource_id = reference.partition("/")
        known = known_version(tx, resource_type, resource_id)
        if known is not None:
            waiting.add(known.delivery_id)
    return frozenset(number for number in waiting if delivery_state(tx, number) not in ("delivered", "discarded"))


def _absent(tx: Transaction, bodies: Sequence[Mapping[str, Any]], own: Collection[str]) -> list[str]:
    """Return the references to resources that were discarded and of which no version has ever arrived."""
    absent: list[str] = []
    for reference in sorted({reference for body in bodies for reference in references_in(body)} - set(own)):
        resource_type, _, resource_id = reference.partition("/")
        known = known_version(tx, resource_type, resource_id)
        if (
            known is not None
            and delivery_state(tx, known.delivery_id) == "discarded"
            and remote_id(tx, resource_type, resource_id) is None
        ):
            absent.append(reference)
    return absent


def keep_changed(tx: Transaction, owner: Owner, resources: Sequence[RecordResource], receipt: Receipt) -> list[str]:
    """Keep those of `resources` that differ from their newest version, and enqueue them as one delivery.

    Returns the references of what changed. A resource that came out the same is not sent again. The mapping
    is logged with the hash of every resource.
    """
    changed: list[tuple[RecordResource, bytes, str, KnownVersion | None]] = []
    unchanged: list[tuple[RecordResource, bytes, str, KnownVersion]] = []
    for resource in resources:
        body = write_json(resource.made.body)
        digest = hashlib.sha256(body).hexdigest()
        known = known_version(tx, resource.made.resource_type, resource.made.id)
        if known is None or known.sha256 != digest:
            changed.append((resource, body, digest, known))
        else:
            unchanged.append((resource, body, digest, known))
    if not changed:
        return []
    # What was discarded has not arrived, so a record that changes brings all of its resources once more.
    records = {resource.record for resource, *_ in changed}
    changed += [
        one
        for one in unchanged
        if one[0].record in records and delivery_state(tx, one[3].delivery_id) == "discarded"
    ]
    previous = [known for *_, known in changed if known is not None]
    delivery_id = enqueue(
        tx,
        NewDelivery(
            lane=owner.lane,
            case_id=owner.case_id,
            device_id=owner.device_id,
            record=owner.record,
            keys=[(resource.made.resource_type, resource.made.id) for resource, *_ in changed],
            bodies=[body for _, body, *_ in changed],
            waits_for=_waits(tx, [resource.made.body for resource, *_ in changed], previous),
        ),
        receipt.stamp,
    )
    own = {resource.made.reference for resource, *_ in changed}
    if absent := _absent(tx, [resource.made.body for resource, *_ in changed], own):
        hold_for_absent(tx, delivery_id, absent, receipt)
    for resource, body, digest, known in changed:
        keep_resource(
            tx,
            StoredResource(
                resource_type=resource.made.resource_type,
                resource_id=resource.made.id,
                case_id=owner.case_id,
                device_id=owner.device_id,
                record=resource.record,
                rule=resource.made.rule,
                version=known.version + 1 if known else 1,
                sha256=digest,
                body=body,
                delivery_id=delivery_id,
            ),
        )
    append_entry(
        tx,
        receipt,
        Happening(
            Action.MAPPED,
            owner.record,
            "queued",
            owner.case_id,
            {
                "delivery": delivery_id,
                "resources": {resource.made.reference: digest for resource, _, digest, _ in changed},
            },
        ),
    )
    return [resource.made.reference for resource, *_ in changed]
