"""Literal references between resources, `Type/id`: found in a resource, replaced, and taken apart."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
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


def replaced_references(value: Any, replacements: Mapping[str, str]) -> Any:
    """Return a copy of a resource, or of a part, with each reference of `replacements` replaced by its value."""
    if isinstance(value, dict):
        return {
            name: replacements.get(member, member)
            if name == "reference" and isinstance(member, str)
            else replaced_references(member, replacements)
            for name, member in value.items()
        }
    if isinstance(value, list):
        return [replaced_references(item, replacements) for item in value]
    return value


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
