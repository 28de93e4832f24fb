"""The ids that the destination gave our resources."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import bindparam, delete, insert, select

from service.storage.schema import remote_ids
from service.storage.statements import Statement, Transaction

_FORGET = Statement(
    delete(remote_ids).where(
        remote_ids.c.resource_type == bindparam("resource_type"),
        remote_ids.c.resource_id == bindparam("resource_id"),
    )
)
_INSERT = Statement(insert(remote_ids))
_ONE = Statement(
    select(remote_ids.c.remote_id).where(
        remote_ids.c.resource_type == bindparam("resource_type"),
        remote_ids.c.resource_id == bindparam("resource_id"),
    )
)


@dataclass(frozen=True, slots=True)
class RemoteId:
    """The id, and the version where it is known, that the destination gave a resource."""

    resource_type: str
    resource_id: str
    remote_id: str
    remote_version: str | None


def keep_remote_ids(tx: Transaction, kept: Sequence[RemoteId]) -> None:
    """Keep what the destination gave resources, in place of what it gave them before."""
    keys = [{"resource_type": one.resource_type, "resource_id": one.resource_id} for one in kept]
    tx.run_many(_FORGET, keys)
    more = [{"remote_id": one.remote_id, "remote_version": one.remote_version} for one in kept]
    tx.run_many(_INSERT, [{**key, **rest} for key, rest in zip(keys, more, strict=True)])


def remote_id(tx: Transaction, resource_type: str, resource_id: str) -> str | None:
    """Return the id that the destination gave a resource; None where it has not been delivered."""
    row = tx.one(_ONE, resource_type=resource_type, resource_id=resource_id)
    return row[0] if row else None
