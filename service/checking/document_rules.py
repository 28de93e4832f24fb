"""The rule of a document: what its Composition refers to travels in the same Bundle.

Source: FHIR R4 (4.0.1), documents.html (document content), bundle.html (resolving references in bundles).
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from service.checking.references import type_in_address
from service.checking.walk import Path, Walk

_DIRECT = ("subject", "encounter", "author", "custodian")
_OF_SECTION = ("author", "focus", "entry")
_MESSAGE = "A document must hold everything that its Composition refers to; no entry is this resource."


def check_document_references(
    first: tuple[int, dict[str, Any]], entries: list[dict[str, Any]], path: Path, walk: Walk
) -> None:
    """Add each reference of a document's Composition that leads to no entry; URNs are followed elsewhere."""
    index, entry = first
    composition = entry.get("resource")
    if not isinstance(composition, dict) or composition.get("resourceType") != "Composition":
        return
    known = set(_identities(entries))
    root = _root_of(entry.get("fullUrl"))
    where: Path = ((path, "entry", index), "resource", None)
    for place, reference in _references(composition, where):
        literal = reference.get("reference")
        if isinstance(literal, str) and not literal.startswith(("#", "urn:")):
            address = literal.partition("/_history/")[0]
            if address not in known and root + address not in known:
                walk.report("unresolved", place, _MESSAGE)


def _identities(entries: list[dict[str, Any]]) -> Iterator[str]:
    """Yield every address by which an entry can be referred to."""
    for entry in entries:
        resource = entry.get("resource")
        if isinstance(entry.get("fullUrl"), str):
            yield entry["fullUrl"]
        if isinstance(resource, dict):
            yield f"{resource.get('resourceType')}/{resource.get('id')}"


def _root_of(full_url: Any) -> str:
    if isinstance(full_url, str) and type_in_address(full_url) is not None:
        return full_url.rsplit("/", maxsplit=2)[0] + "/"
    return ""


def _references(composition: dict[str, Any], path: Path) -> Iterator[tuple[Path, dict[str, Any]]]:
    for name in _DIRECT:
        yield from _named(composition, name, path)
    for place, attester in _named(composition, "attester", path):
        yield from _named(attester, "party", place)
    for place, event in _named(composition, "event", path):
        yield from _named(event, "detail", place)
    yield from _references_of_sections(composition, path)


def _references_of_sections(parent: dict[str, Any], path: Path) -> Iterator[tuple[Path, dict[str, Any]]]:
    for place, section in _named(parent, "section", path):
        for name in _OF_SECTION:
            yield from _named(section, name, place)
        yield from _references_of_sections(section, place)


def _named(node: dict[str, Any], name: str, path: Path) -> Iterator[tuple[Path, dict[str, Any]]]:
    """Yield the objects under `name`, be it one or an array of them, each with its place."""
    value = node.get(name)
    if isinstance(value, dict):
        yield (path, name, None), value
    elif isinstance(value, list):
        for index, item in enumerate(value):
            if isinstance(item, dict):
                yield (path, name, index), item
