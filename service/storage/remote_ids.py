"""The ids that the destination gave our resources."""

from __future__ import annotations

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


def keep_remote_id(tx: Transaction, key: tuple[str, str], remote_id: str, remote_version: str | None) -> None:
    """Keep the id and version that the destination gave a resource."""
    tx.run(_FORGET, resource_type=key[0], resource_id=key[1])
    tx.run(
        _INSERT,
        resource_type=key[0],
        resource_id=key[1],
        remote_id=remote_id,
        remote_version=remote_version,
    )


def remote_id(tx: Transaction, resource_type: str, resource_id: str) -> str | None:
    """Return the id that the destination gave a resource; None where it has not been delivered."""
    row = tx.one(_ONE, resource_type=resource_type, resource_id=resource_id)
    return row[0] if row else None
