"""Judges references: their syntax, the type they lead to, and whether a local one leads anywhere.

Source: FHIR R4 (4.0.1), references.html (literal references, contained resources), http.html (conditional
references), invariants ref-1 and dom-3.
"""

from __future__ import annotations

import re
from typing import Any

from service.checking.table import INVARIANTS, RESOURCE_TYPES
from service.checking.walk import LocalMention, Path, Walk

_ID = re.compile(r"[A-Za-z0-9\-.]{1,64}", re.ASCII).fullmatch
_URN = re.compile(
    r"urn:uuid:[0-9a-fA-F]{8}(?:-[0-9a-fA-F]{4}){3}-[0-9a-fA-F]{12}|urn:oid:[0-2](?:\.(?:0|[1-9][0-9]*))+",
    re.ASCII,
).fullmatch
_ABSOLUTE = re.compile(r"[A-Za-z][A-Za-z0-9+.\-]*:[^\s/?#]*(?:/|[^\s/])\S*", re.ASCII).fullmatch
_STRUCTURE_URL = "http://hl7.org/fhir/StructureDefinition/"
_MALFORMED = ""


def type_in_address(address: str) -> str | None:
    """Return the resource type that a RESTful address ends in (`.../Type/id`), or None where it has none."""
    segments = address.split("/")
    if len(segments) >= 4 and segments[-2] == "_history" and _ID(segments[-1]):
        del segments[-2:]
    if len(segments) >= 2 and segments[-2] in RESOURCE_TYPES and _ID(segments[-1]):
        return segments[-2]
    return None


def _type_of_literal(literal: str, *, is_transaction: bool) -> str | None:
    """Return the type that a literal leads to, None where it does not say, `_MALFORMED` where it is none."""
    kind, slash, rest = literal.partition("/")
    if slash and kind in RESOURCE_TYPES:
        identifier, _, version = rest.partition("/_history/")
        is_right = _ID(identifier) and ((version == "" and not rest.endswith("/_history/")) or _ID(version))
        return kind if is_right else _MALFORMED
    if literal.startswith("urn:"):
        return _MALFORMED
    if _ABSOLUTE(literal):
        return type_in_address(literal)
    kind, question, query = literal.partition("?")
    if is_transaction and question and kind in RESOURCE_TYPES and query and not re.search(r"\s", query):
        return kind
    return _MALFORMED


def is_plain_reference(node: Any, targets: frozenset[str]) -> bool:
    """Return whether `node` is what nearly every reference is, Type/id of a type that is allowed, and no more.

    Nothing can be wrong with such a one, so it need not be read as others are.
    """
    if not isinstance(node, dict) or len(node) != 1:
        return False
    literal = node.get("reference")
    if not isinstance(literal, str):
        return False
    kind, _, identifier = literal.partition("/")
    return kind in targets and _ID(identifier) is not None


def check_reference(reference: dict[str, Any], targets: frozenset[str], path: Path, walk: Walk) -> None:
    """Add what is wrong with one Reference of sound structure; local ones and URNs wait for what holds them."""
    literal = reference.get("reference")
    kind: str | None = None
    if literal is None:
        pass
    elif literal[0] == "#":
        walk.mentions.append(LocalMention(path, literal, targets, walk.contained_index))
    elif literal.startswith("urn:") and _URN(literal):
        walk.urns.append((path, literal, targets))
    else:
        kind = _type_of_literal(literal, is_transaction=walk.is_transaction)
        if kind == _MALFORMED:
            walk.report(
                "reference-syntax",
                (path, "reference", None),
                "A reference must be Type/id, an absolute URL, urn:uuid, urn:oid or #id; Type?query only in a "
                "transaction.",
            )
            return
        if kind is not None and targets and kind not in targets:
            _report_target(kind, path, walk)
    declared = reference.get("type")
    if declared is not None:
        _check_declared_type(declared, kind, targets, path, walk)


def _check_declared_type(declared: str, kind: str | None, targets: frozenset[str], path: Path, walk: Walk) -> None:
    name = declared.removeprefix(_STRUCTURE_URL)
    if name not in RESOURCE_TYPES:
        # An absolute address outside FHIR names a logical model, of which the table knows nothing.
        if ":" not in name:
            walk.report("reference-target", (path, "type", None), "The type is not a resource type of R4.")
    elif kind is not None and kind != name:
        walk.report("reference-target", (path, "type", None), "The type differs from that in the reference.")
    elif kind is None and targets and name not in targets:
        _report_target(name, path, walk)


def _report_target(kind: str, path: Path, walk: Walk) -> None:
    walk.report("reference-target", path, f"The element may not refer to the resource type {kind}.")


def check_target(kind: Any, targets: frozenset[str] | None, path: Path, walk: Walk) -> None:
    """Add a finding where the resource that a reference was resolved to has a type not allowed there."""
    if targets and isinstance(kind, str) and kind in RESOURCE_TYPES and kind not in targets:
        _report_target(kind, path, walk)


def check_local_references(resource: dict[str, Any], path: Path, walk: Walk) -> None:
    """Add what breaks ref-1 and dom-3 in a resource whose elements have been read."""
    contained = resource.get("contained")
    if contained is None and not walk.mentions:
        return
    children = [child for child in contained if isinstance(child, dict)] if isinstance(contained, list) else []
    kinds = {child.get("id"): child.get("resourceType") for child in children if isinstance(child.get("id"), str)}
    for mention in walk.mentions:
        if mention.targets is None:
            continue
        if mention.literal == "#":
            # Only a contained resource has a container to refer to.
            if mention.contained_index is None:
                walk.report("ref-1", mention.path, INVARIANTS["ref-1"].human + ".")
            else:
                check_target(resource.get("resourceType"), mention.targets, mention.path, walk)
        elif mention.literal[1:] not in kinds:
            walk.report("ref-1", mention.path, INVARIANTS["ref-1"].human + ".")
        else:
            check_target(kinds[mention.literal[1:]], mention.targets, mention.path, walk)
    if not isinstance(contained, list):
        return
    _check_identities_differ(contained, path, walk)
    mentioned = {mention.literal for mention in walk.mentions}
    referring = {mention.contained_index for mention in walk.mentions if mention.literal == "#"}
    for index, child in enumerate(contained):
        if not isinstance(child, dict):
            continue
        is_mentioned = isinstance(child.get("id"), str) and "#" + child["id"] in mentioned
        if not is_mentioned and index not in referring:
            walk.report("dom-3", (path, "contained", index), INVARIANTS["dom-3"].human + ".")


def _check_identities_differ(contained: list[Any], path: Path, walk: Walk) -> None:
    seen: set[str] = set()
    for index, child in enumerate(contained):
        identity = child.get("id") if isinstance(child, dict) else None
        if isinstance(identity, str):
            if identity in seen:
                message = "Another contained resource has the same id."
                walk.report("contained-id", (path, "contained", index), message)
            seen.add(identity)
