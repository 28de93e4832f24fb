"""The rules of a Bundle: what its type asks of its entries, and that references within it lead somewhere.

Source: FHIR R4 (4.0.1), bundle.html (invariants bdl-1 to bdl-12, resource URL and uniqueness
rules).
"""

from __future__ import annotations

from typing import Any

from service.checking.document_rules import check_document_references
from service.checking.references import check_target, type_in_address
from service.checking.table import INVARIANTS
from service.checking.walk import Path, Walk

_WITH_REQUEST = frozenset(("batch", "transaction", "history"))
_WITH_RESPONSE = frozenset(("batch-response", "transaction-response", "history"))
_WITHOUT_RESOLUTION = frozenset(("searchset", "history", "batch-response", "transaction-response"))
"""Here a server tells what it holds; its references need not lead to entries."""

_WITHOUT_FULL_URL = frozenset(("transaction", "batch", "transaction-response", "batch-response"))
_FIRST_RESOURCE = {"document": ("bdl-11", "Composition"), "message": ("bdl-12", "MessageHeader")}


def _break(key: str, path: Path, walk: Walk) -> None:
    walk.report(key, path, INVARIANTS[key].human.rstrip(".") + ".")


def check_bundle(bundle: dict[str, Any], path: Path, walk: Walk) -> None:
    """Add what breaks the rules of a Bundle whose elements have been read; never raises, whatever it holds."""
    kind = bundle.get("type")
    if not isinstance(kind, str):
        return
    entries = bundle.get("entry", [])
    numbered = (
        [(index, entry) for index, entry in enumerate(entries) if isinstance(entry, dict)]
        if isinstance(entries, list)
        else []
    )
    if "total" in bundle and kind not in {"searchset", "history"}:
        _break("bdl-1", path, walk)
    if kind == "document":
        _check_document(bundle, path, walk)
    if kind in _FIRST_RESOURCE:
        key, wanted = _FIRST_RESOURCE[kind]
        if not numbered or _type_of(numbered[0][1].get("resource")) != wanted:
            _break(key, path, walk)
    for index, entry in numbered:
        _check_entry(entry, kind, (path, "entry", index), walk)
    if kind != "history":
        _check_full_urls_differ(numbered, path, walk)
    if kind not in _WITHOUT_RESOLUTION:
        _check_resolution([entry for _, entry in numbered], walk)
    if kind == "document" and numbered:
        check_document_references(numbered[0], [entry for _, entry in numbered], path, walk)


def _check_document(bundle: dict[str, Any], path: Path, walk: Walk) -> None:
    identifier = bundle.get("identifier")
    if not (isinstance(identifier, dict) and "system" in identifier and "value" in identifier):
        _break("bdl-9", path, walk)
    if "timestamp" not in bundle:
        _break("bdl-10", path, walk)


def _check_entry(entry: dict[str, Any], kind: str, path: Path, walk: Walk) -> None:
    if "search" in entry and kind != "searchset":
        _break("bdl-2", path, walk)
    if ("request" in entry) != (kind in _WITH_REQUEST):
        _break("bdl-3", path, walk)
    if ("response" in entry) != (kind in _WITH_RESPONSE):
        _break("bdl-4", path, walk)
    if not ("resource" in entry or "request" in entry or "response" in entry):
        _break("bdl-5", path, walk)
    full_url = entry.get("fullUrl")
    if full_url is None and "resource" in entry and kind not in _WITHOUT_FULL_URL:
        walk.report("full-url", path, "Outside transactions and batches an entry with a resource needs a fullUrl.")
    elif isinstance(full_url, str):
        _check_full_url(full_url, entry.get("resource"), path, walk)


def _check_full_url(full_url: str, resource: Any, path: Path, walk: Walk) -> None:
    if "/_history/" in full_url:
        _break("bdl-8", path, walk)
        return
    if ":" not in full_url:
        walk.report("full-url", (path, "fullUrl", None), "A fullUrl must be an absolute address.")
        return
    kind = type_in_address(full_url)
    if kind is None or not isinstance(resource, dict):
        return
    identifier = resource.get("id")
    if kind != resource.get("resourceType") or identifier not in (None, full_url.rsplit("/", maxsplit=1)[-1]):
        walk.report("full-url", (path, "fullUrl", None), "The fullUrl disagrees with the resource's type or id.")


def _check_full_urls_differ(numbered: list[tuple[int, dict[str, Any]]], path: Path, walk: Walk) -> None:
    seen: set[tuple[str, Any]] = set()
    for index, entry in numbered:
        full_url = entry.get("fullUrl")
        if not isinstance(full_url, str):
            continue
        named = (full_url, _version_of(entry.get("resource")))
        if named in seen:
            _break("bdl-7", (path, "entry", index), walk)
        seen.add(named)


def _check_resolution(entries: list[dict[str, Any]], walk: Walk) -> None:
    if not walk.urns:
        return
    kinds = {
        entry["fullUrl"]: _type_of(entry.get("resource"))
        for entry in entries
        if isinstance(entry.get("fullUrl"), str)
    }
    for path, literal, targets in walk.urns:
        if literal in kinds:
            check_target(kinds[literal], targets, path, walk)
        else:
            walk.report("unresolved", path, "No entry of this Bundle has the fullUrl of the reference.")


def _type_of(resource: Any) -> str | None:
    kind = resource.get("resourceType") if isinstance(resource, dict) else None
    return kind if isinstance(kind, str) else None


def _version_of(resource: Any) -> str | None:
    meta = resource.get("meta") if isinstance(resource, dict) else None
    version = meta.get("versionId") if isinstance(meta, dict) else None
    return version if isinstance(version, str) else None
