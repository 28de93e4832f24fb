"""The ids that the destination gave our resources."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from sqlalchemy import bindparam, select, text

from service.storage.schema import remote_ids
from service.storage.statements import Statement, Transaction

_KEEP = Statement(
    # The same in every database, for which SQLAlchemy has no expression that is.
    text(
        "INSERT INTO remote_ids (resource_type, resource_id, remote_id, remote_version)"
        " VALUES (:resource_type, :resource_id, :remote_id, :remote_version)"
        " ON CONFLICT (resource_type, resource_id)"
        " DO UPDATE SET remote_id = excluded.remote_id, remote_version = excluded.remote_version"
    )
)
_ONE = Statement(
    select(remote_ids.c.remote_id).where(
        remote_ids.c.resource_type == bindparam("resource_type"),
        remote_ids.c.resource_id == bindparam("resource_id"),
    )
)


class RemoteId(NamedTuple):
    """The id, and the version where it is known, that the destination gave a resource."""

    resource_type: str
    resource_id: str
    remote_id: str
    remote_version: str | None


def keep_remote_ids(tx: Transaction, kept: Sequence[RemoteId]) -> None:
    """Keep what the destination gave resources, in place of what it gave them before."""
    tx.run_many(_KEEP, [one._asdict() for one in kept])


def remote_id(tx: Transaction, resource_type: str, resource_id: str) -> str | None:
    """Return the id that the destination gave a resource; None where it has not been delivered."""
    row = tx.one(_ONE, resource_type=resource_type, resource_id=resource_id)
    return row[0] if row else None
