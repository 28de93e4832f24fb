"""Every reference in a resource: where it is, what it points at, and how another one takes its place."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple

from service.records.references import replaced_references

LOGICAL_ID = re.compile(r"[A-Za-z0-9\-.]{1,64}")
_LITERAL = re.compile(r"([A-Z][A-Za-z]+/[A-Za-z0-9\-.]{1,64})(?:/_history/[A-Za-z0-9\-.]{1,64})?")
_ABSOLUTE = re.compile(r"[A-Za-z][A-Za-z0-9+.\-]*:")


class ReferencePlace(NamedTuple):
    """One `Reference.reference` of a resource: what it says, and its FHIRPath location."""

    value: str
    path: str


def places_of_references(resource: Mapping[str, Any]) -> Iterator[ReferencePlace]:
    """Yield every reference of `resource`.

    A Bundle stored as a resource keeps its own references, which point into itself.
    """
    if resource.get("resourceType") != "Bundle":
        yield from _places_in(resource, str(resource.get("resourceType")))


def _places_in(value: Any, path: str) -> Iterator[ReferencePlace]:
    if isinstance(value, dict):
        for name, member in value.items():
            if name == "reference" and isinstance(member, str):
                yield ReferencePlace(member, f"{path}.reference")
            elif isinstance(member, (dict, list)):
                yield from _places_in(member, f"{path}.{name}")
    elif isinstance(value, list):
        for number, item in enumerate(value):
            if isinstance(item, (dict, list)):
                yield from _places_in(item, f"{path}[{number}]")


def with_references(resource: dict[str, Any], identities: Mapping[str, str]) -> dict[str, Any]:
    """Return `resource` with each reference that is a key of `identities` replaced by `identities[reference]`."""
    if not identities or resource.get("resourceType") == "Bundle":
        return resource
    replaced: dict[str, Any] = replaced_references(resource, identities)
    return replaced


def local_target(reference: str, base: str) -> str | None:
    """Return `Type/id` where `reference` is a literal one to this endpoint, else None."""
    match = _LITERAL.fullmatch(reference.removeprefix(f"{base}/"))
    return match[1] if match else None


def is_elsewhere(reference: str) -> bool:
    """Return whether `reference` points into its own resource or to a server that is not this one."""
    if reference.startswith("#"):
        return True
    return _ABSOLUTE.match(reference) is not None and not reference.startswith("urn:")
