"""The id of every resource: a UUIDv5 of what it is made from, so that the same record always gives the same id."""

from __future__ import annotations

from collections.abc import Sequence
from uuid import UUID, uuid5

# A namespace of this project's own, made once at random (RFC 9562, section 5.5 wants one for each use).
_NAMESPACE = UUID("0d2b7c0e-6a3f-4f7e-9d55-6a4c1f7a1e21")


def resource_id(parts: Sequence[str]) -> str:
    """Return the UUIDv5 of `parts` (source, identity of the record, role); no two sequences share a spelling."""
    return str(uuid5(_NAMESPACE, "\x1f".join(f"{len(part)}:{part}" for part in parts)))
