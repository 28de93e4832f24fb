"""Literal references between resources, `Type/id`: found in a resource, and taken apart."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any


def references_in(value: Any) -> Iterator[str]:
    """Yield every literal reference that is anywhere in a resource."""
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


_REFERENCE = re.compile(rb'"reference":"([^"\\]+)"')


def references_in_json(body: bytes) -> frozenset[str]:
    """Return every literal reference in the compact JSON of a resource, as `references_in` finds them in its value.

    A quotation mark inside a text is escaped in JSON, so no text can look like the member that is searched for.
    """
    return frozenset(found.decode() for found in _REFERENCE.findall(body))


def type_and_id(reference: str) -> tuple[str, str]:
    """Return resource type and id of a literal reference."""
    resource_type, _, resource_id = reference.partition("/")
    return resource_type, resource_id
