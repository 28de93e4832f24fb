"""The id of every resource: a UUIDv5 of what it is made from, so that the same record always gives the same id."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from uuid import UUID

# A namespace of this project's own, made once at random (RFC 9562, section 5.5 wants one for each use).
_NAMESPACE = UUID("0d2b7c0e-6a3f-4f7e-9d55-6a4c1f7a1e21")
_NAMESPACE_HASHED = hashlib.sha1(_NAMESPACE.bytes, usedforsecurity=False)


def resource_id(parts: Sequence[str]) -> str:
    """Return the UUIDv5 of `parts` (source, identity of the record, role); no two sequences share a spelling.

    It is what `uuid.uuid5` gives, without the making of an object for each; a test holds the two together.

    Source: RFC 9562, section 5.5.
    """
    hashed = _NAMESPACE_HASHED.copy()
    hashed.update("\x1f".join([f"{len(part)}:{part}" for part in parts]).encode())
    octets = bytearray(hashed.digest()[:16])
    octets[6] = octets[6] & 0x0F | 0x50
    octets[8] = octets[8] & 0x3F | 0x80
    text = octets.hex()
    return f"{text[:8]}-{text[8:12]}-{text[12:16]}-{text[16:20]}-{text[20:]}"
