"""The FHIR resources as they are now, each with the version that was made last and the delivery that carries it."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby
from operator import itemgetter

from sqlalchemy import and_, bindparam, insert, or_, select, update

from service.records.references import type_and_id
from service.storage.schema import deliveries, resources
from service.storage.statements import AmongTexts, Row, Statement, Transaction, text_list


@dataclass(frozen=True, slots=True)
class StoredResource:
    """The newest version of one resource; `body` are the bytes that are sent."""

    resource_type: str
    resource_id: str
    case_id: str | None
    device_id: str | None
    record: str
    rule: str
    version: int
    sha256: str
    body: bytes
    delivery_id: int


_COLUMNS = (
    resources.c.resource_type,
    resources.c.resource_id,
    resources.c.case_id,
    resources.c.device_id,
    resources.c.record,
    resources.c.rule,
    resources.c.version,
    resources.c.sha256,
    resources.c.body,
    resources.c.delivery_id,
)
_MOST_ASKED = 8
"""How many resources one statement asks for: a record of the usual size names fewer."""

_asked = [
    and_(
        resources.c.resource_type == bindparam(f"type_{place}"), resources.c.resource_id == bindparam(f"id_{place}")
    )
    for place in range(_MOST_ASKED)
]
_known = select(
    resources.c.resource_type,
    resources.c.resource_id,
    resources.c.version,
    resources.c.sha256,
    resources.c.delivery_id,
    deliveries.c.state,
).join_from(resources, deliveries, deliveries.c.delivery_id == resources.c.delivery_id)
_KNOWN = Statement(_known.where(or_(*_asked)))
_KNOWN_OF_TYPE = Statement(
    _known.where(
        resources.c.resource_type == bindparam("resource_type"), AmongTexts(resources.c.resource_id, "ids")
    )
)
_OF_CASE = Statement(
    select(*_COLUMNS)
    .where(resources.c.case_id == bindparam("case_id"))
    .order_by(resources.c.delivery_id, resources.c.resource_type, resources.c.resource_id)
)
_OF_RECORDS = Statement(
    select(*_COLUMNS)
    .where(AmongTexts(resources.c.record, "records"))
    .order_by(resources.c.record, resources.c.resource_type, resources.c.resource_id)
)
_ONE = Statement(
    select(*_COLUMNS).where(
        resources.c.resource_type == bindparam("resource_type"),
        resources.c.resource_id == bindparam("resource_id"),
    )
)
_INSERT = Statement(insert(resources))
_UPDATE = Statement(
    update(resources)
    .where(resources.c.resource_type == bindparam("of_type"), resources.c.resource_id == bindparam("of_id"))
    .values(
        version=bindparam("new_version"),
        sha256=bindparam("new_sha256"),
        body=bindparam("new_body"),
        delivery_id=bindparam("new_delivery"),
        rule=bindparam("new_rule"),
        record=bindparam("new_record"),
    )
)


@dataclass(frozen=True, slots=True)
class KnownVersion:
    """What is known of the newest version of a resource; `state` is that of the delivery which carries it."""

    version: int
    sha256: str
    delivery_id: int
    state: str


def known_versions(tx: Transaction, references: Collection[str]) -> dict[str, KnownVersion]:
    """Return what is known of resources' newest versions, by their references; those never made are not in it."""
    keys = sorted(type_and_id(reference) for reference in references)
    rows = _few(tx, keys) if len(keys) <= 2 * _MOST_ASKED else _many(tx, keys)
    return {f"{row[0]}/{row[1]}": KnownVersion(*row[2:]) for row in rows}


def _few(tx: Transaction, keys: Sequence[tuple[str, str]]) -> Iterator[Row]:
    for start in range(0, len(keys), _MOST_ASKED):
        asked = keys[start : start + _MOST_ASKED]
        # No resource has an empty type.
        asked = [*asked, *[("", "")] * (_MOST_ASKED - len(asked))]
        names = {f"type_{place}": kind for place, (kind, _) in enumerate(asked)}
        names |= {f"id_{place}": resource_id for place, (_, resource_id) in enumerate(asked)}
        yield from tx.run(_KNOWN, **names)


def _many(tx: Transaction, keys: Iterable[tuple[str, str]]) -> Iterator[Row]:
    for resource_type, some in groupby(keys, key=itemgetter(0)):
        yield from tx.run(_KNOWN_OF_TYPE, resource_type=resource_type, ids=text_list(one[1] for one in some))


def known_version(tx: Transaction, resource_type: str, resource_id: str) -> KnownVersion | None:
    """Return what is known of a resource's newest version; None where it was never made."""
    reference = f"{resource_type}/{resource_id}"
    return known_versions(tx, {reference}).get(reference)


def find_resource(tx: Transaction, resource_type: str, resource_id: str) -> StoredResource | None:
    """Return a resource's newest version."""
    row = tx.one(_ONE, resource_type=resource_type, resource_id=resource_id)
    return StoredResource(*row) if row else None


def resources_of_case(tx: Transaction, case_id: str) -> list[StoredResource]:
    """Return all resources of a case, in the order in which they were first or last delivered."""
    return [StoredResource(*row) for row in tx.run(_OF_CASE, case_id=case_id)]


def resources_of_records(tx: Transaction, records: Collection[str]) -> list[StoredResource]:
    """Return the resources that certain records made."""
    return [StoredResource(*row) for row in tx.run(_OF_RECORDS, records=text_list(records))] if records else []


def keep_resources(tx: Transaction, kept: Sequence[StoredResource]) -> None:
    """Keep versions of resources as their newest ones."""
    tx.add(
        _INSERT,
        [
            {
                "resource_type": resource.resource_type,
                "resource_id": resource.resource_id,
                "case_id": resource.case_id,
                "device_id": resource.device_id,
                "record": resource.record,
                "rule": resource.rule,
                "version": 1,
                "sha256": resource.sha256,
                "body": resource.body,
                "delivery_id": resource.delivery_id,
            }
            for resource in kept
            if resource.version == 1
        ],
    )
    tx.run_many(
        _UPDATE,
        [
            {
                "of_type": resource.resource_type,
                "of_id": resource.resource_id,
                "new_version": resource.version,
                "new_sha256": resource.sha256,
                "new_body": resource.body,
                "new_delivery": resource.delivery_id,
                "new_rule": resource.rule,
                "new_record": resource.record,
            }
            for resource in kept
            if resource.version > 1
        ],
    )
