"""What the read-back found of each resource the last time it looked."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from sqlalchemy import bindparam, delete, func, insert, select

from service.storage.schema import audit_entries, deliveries, read_backs, remote_ids, resources
from service.storage.statements import Statement, Transaction


class Result(StrEnum):
    """What became of a resource at the destination."""

    KEPT = "kept"
    CHANGED = "changed"
    GONE = "gone"


@dataclass(frozen=True, slots=True)
class DeliveredResource:
    """The newest version of a resource, which has arrived, and where; `sha256` tells it from other versions."""

    resource_type: str
    resource_id: str
    case_id: str | None
    device_id: str | None
    sha256: str
    remote_id: str

    @property
    def reference(self) -> str:
        """Return our reference to it."""
        return f"{self.resource_type}/{self.resource_id}"


_DELIVERIES = (
    select(deliveries.c.delivery_id, deliveries.c.batch_id)
    .where(
        deliveries.c.state == "delivered",
        deliveries.c.batch_id.is_not(None),
        deliveries.c.delivery_id > bindparam("after"),
    )
    .order_by(deliveries.c.delivery_id)
    .limit(bindparam("most"))
)
_ALL_DELIVERIES = Statement(_DELIVERIES)
_DELIVERIES_OF_CASE = Statement(_DELIVERIES.where(deliveries.c.case_id == bindparam("case_id")))
_ARRIVED = Statement(
    select(
        resources.c.resource_type,
        resources.c.resource_id,
        resources.c.case_id,
        resources.c.device_id,
        resources.c.sha256,
        remote_ids.c.remote_id,
    )
    .join(
        remote_ids,
        (remote_ids.c.resource_type == resources.c.resource_type)
        & (remote_ids.c.resource_id == resources.c.resource_id),
    )
    .where(
        resources.c.resource_type == bindparam("resource_type"),
        resources.c.resource_id == bindparam("resource_id"),
        resources.c.delivery_id == bindparam("delivery_id"),
    )
)
_FORGET = Statement(
    delete(read_backs).where(
        read_backs.c.resource_type == bindparam("resource_type"),
        read_backs.c.resource_id == bindparam("resource_id"),
    )
)
_INSERT = Statement(insert(read_backs))
_OF_CASE = Statement(
    select(read_backs.c.result, func.count(), func.max(read_backs.c.checked_at))
    .where(read_backs.c.case_id == bindparam("case_id"))
    .group_by(read_backs.c.result)
)
_LAST_RUN = Statement(
    select(func.max(audit_entries.c.recorded_at)).where(
        audit_entries.c.action == "read-back", audit_entries.c.subject == "destination"
    )
)


def delivered_after(tx: Transaction, case_id: str | None, after: int, most: int) -> list[tuple[int, int]]:
    """Return number and batch of up to `most` delivered deliveries above `after`, of one case where it is given."""
    if case_id is None:
        return [(row[0], row[1]) for row in tx.run(_ALL_DELIVERIES, after=after, most=most)]
    return [(row[0], row[1]) for row in tx.run(_DELIVERIES_OF_CASE, case_id=case_id, after=after, most=most)]


def arrived_resource(tx: Transaction, key: tuple[str, str], delivery_id: int) -> DeliveredResource | None:
    """Return a resource if its newest version is that of the delivery and it was sent; None otherwise."""
    row = tx.one(_ARRIVED, resource_type=key[0], resource_id=key[1], delivery_id=delivery_id)
    return DeliveredResource(*row) if row else None


def keep_read_back(tx: Transaction, resource: DeliveredResource, result: Result, now: str) -> None:
    """Keep what was found of a resource, in place of what was found before."""
    tx.run(_FORGET, resource_type=resource.resource_type, resource_id=resource.resource_id)
    tx.run(
        _INSERT,
        resource_type=resource.resource_type,
        resource_id=resource.resource_id,
        case_id=resource.case_id,
        result=result.value,
        checked_at=now,
    )


def read_back_of_case(tx: Transaction, case_id: str) -> Mapping[str, Any]:
    """Return how many resources of a case were kept, changed and gone, and when one was last looked at."""
    rows = tx.run(_OF_CASE, case_id=case_id)
    counts = {row[0]: row[1] for row in rows}
    return {
        **{result.value: counts.get(result.value, 0) for result in Result},
        "checked_at": max((row[2] for row in rows), default=None),
    }


def last_read_back(tx: Transaction) -> str | None:
    """Return when the last run of the read-back ended."""
    row = tx.one(_LAST_RUN)
    return row[0] if row else None
