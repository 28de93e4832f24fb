"""Turns the plan of a profile into a StructureDefinition with snapshot and differential."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from service.conformance.canonical import FHIR_VERSION, canonical, conformance_resource, fhir_id
from service.conformance.outline_template import (
    Coded,
    Content,
    Fixed,
    Measured,
    Outline,
    Refers,
    Several,
    components_of,
)
from service.conformance.plan_profiles import Profile
from service.conformance.snapshot_draft import STRUCTURE, Element, SnapshotDraft
from service.vocabulary.code_tables import Concept
from service.vocabulary.units import UCUM

VALUE_OR_REASON = "resus-1"
"""The invariant of a profile by which a value or the reason for its absence must be there."""

_FREE_ELEMENTS = frozenset({"resourceType", "id", "meta", "status", "active", "component"})
"""Elements whose constants are no rule: a retraction changes the status, and components are sliced."""


def code_pattern(concept: Concept) -> dict[str, Any]:
    """Return the pattern that a CodeableConcept of a concept meets: its codings without their names, else its text.

    Names are left out because a site or a server may hold them in another language.
    """
    if not concept.codings:
        return {"text": concept.text}
    return {"coding": [{"system": coding.system, "code": coding.code} for coding in concept.codings]}


def table_value_set(table: str) -> str:
    """Return the address of the ValueSet of a code table."""
    return canonical("ValueSet", fhir_id(table))


def units_value_set(field: str) -> str:
    """Return the address of the ValueSet of the units that a field takes."""
    return canonical("ValueSet", fhir_id("units", field))


def _reference_type(element: Element, types: frozenset[str]) -> list[Element]:
    allowed = next(kind for kind in element["type"] if kind["code"] == "Reference").get("targetProfile", [])
    wanted = [STRUCTURE + name for name in sorted(types)]
    kept = [profile for profile in wanted if not allowed or profile in allowed or STRUCTURE + "Resource" in allowed]
    return [{"code": "Reference", "targetProfile": kept or allowed}]


def _content_changes(content: Content, element: Element, kind: str | None) -> Iterator[tuple[str, Any]]:
    """Yield what the content of an element adds to its definition; `kind` is its type where the name says it."""
    type_code = kind or element["type"][0]["code"]
    match content:
        case Fixed(concept=Concept() as concept) if type_code == "CodeableConcept":
            yield "patternCodeableConcept", code_pattern(concept)
        case Fixed(value=value) if kind is not None and isinstance(value, bool):
            yield "patternBoolean", value
        case Coded(table, has_others) if type_code == "CodeableConcept" and _has_codes(content):
            yield (
                "binding",
                {
                    "strength": "preferred" if has_others else "extensible",
                    "description": f"{table.title}; where it lacks a value, a code or a text of the client's own.",
                    "valueSet": table_value_set(table.name),
                },
            )
        case Measured(units, _) if type_code == "Quantity" and len(units) == 1:
            yield "patternQuantity", {"system": UCUM, "code": units[0]}
        case Measured(units, field) if type_code == "Quantity" and units:
            yield (
                "binding",
                {
                    "strength": "required",
                    "description": "The units that are taken for it.",
                    "valueSet": units_value_set(field),
                },
            )
        case Refers(types) if type_code == "Reference":
            narrowed = _reference_type(element, types)
            if narrowed != element["type"]:
                yield "type", narrowed
        case Several(items):
            contents = {repr(item.content): item.content for item in items}
            if len(contents) == 1:
                yield from _content_changes(items[0].content, element, kind)


def _has_codes(content: Coded) -> bool:
    return any(concept.codings for concept in content.table.concepts.values())


def _least(outline: Outline) -> int:
    if isinstance(outline.content, Several):
        surely = sum(item.always for item in outline.content.items)
        return max(surely, int(outline.always))
    return int(outline.always)


def _describe_members(
    snapshot: SnapshotDraft, parent: str, members: Mapping[str, Outline], *, inside: bool = False
) -> None:
    """Write into the snapshot what is known of the members of `parent`; choices that several names fill once."""
    choices: dict[str, list[tuple[str, Outline]]] = {}
    for name, outline in members.items():
        if name in _FREE_ELEMENTS or name.startswith("_"):
            continue
        found = snapshot.find_json(parent, name)
        if found is None:
            continue
        element, kind = found
        if kind is not None:
            choices.setdefault(element["id"], []).append((kind, outline))
            continue
        _describe(snapshot, element, outline, None, is_sure=outline.always or (inside and outline.goes_with_parent))
    for identifier, filled in choices.items():
        element = snapshot.at(identifier)
        kinds = [kind for kind, _ in filled]
        snapshot.change(element, type=[one for one in element["type"] if one["code"] in kinds])
        if len(filled) == 1:
            kind, outline = filled[0]
            sure = outline.always or (inside and outline.goes_with_parent)
            _describe(snapshot, element, outline, kind, is_sure=sure)


def _describe(
    snapshot: SnapshotDraft, element: Element, outline: Outline, kind: str | None, *, is_sure: bool
) -> None:
    changes = dict(_content_changes(outline.content, element, kind))
    least = max(_least(outline), int(is_sure))
    if least > element["min"]:
        changes["min"] = least
    if changes:
        snapshot.change(element, **changes)


def _value_or_reason(url: str) -> Element:
    return {
        "key": VALUE_OR_REASON,
        "severity": "error",
        "human": "There is a value, or the reason why there is none",
        "expression": "value.exists() or dataAbsentReason.exists()",
        "source": url,
    }


def _slice_components(snapshot: SnapshotDraft, profile: Profile) -> None:
    sliced = list(components_of(profile.outline))
    component = snapshot.find(f"{profile.outline.resource_type}.component")
    if not sliced or component is None:
        return
    for concept, outline, parts in sliced:
        head = snapshot.add_slice(component, fhir_id(concept.name))
        snapshot.change(head, short=concept.text, min=int(outline.always), max="1")
        if concept.definition:
            snapshot.change(head, definition=concept.definition)
        _describe_members(snapshot, head["id"], parts.members, inside=True)
        if parts.says_absence and "dataAbsentReason" in parts.members:
            snapshot.constrain(head, _value_or_reason(profile.url))
    slicing = {"discriminator": [{"type": "pattern", "path": "code"}], "ordered": False, "rules": "open"}
    snapshot.change(component, slicing=slicing)
    least = profile.outline.members["component"]
    if least.always:
        snapshot.change(component, min=max(1, _least(least)))


def write_profile(profile: Profile) -> dict[str, Any]:
    """Return the StructureDefinition of a profile, with snapshot and differential.

    It constrains R4's own resource type. What every resource of the template has is required, fixed codes and units
    are patterns, words of a code table are bound to its ValueSet, components are slices by their code. Slices and
    everything else stay open, since servers and sites may add to a resource.
    """
    outline = profile.outline
    snapshot = SnapshotDraft(outline.resource_type)
    root = snapshot.elements[0]
    snapshot.change(root, short=profile.title, definition=profile.description)
    _describe_members(snapshot, outline.resource_type, outline.members)
    if outline.says_absence and "dataAbsentReason" in outline.members:
        snapshot.constrain(root, _value_or_reason(profile.url))
    _slice_components(snapshot, profile)
    return {
        **conformance_resource("StructureDefinition", profile.identifier, profile.title, profile.description),
        "fhirVersion": FHIR_VERSION,
        "kind": "resource",
        "abstract": False,
        "type": outline.resource_type,
        "baseDefinition": STRUCTURE + outline.resource_type,
        "derivation": "constraint",
        "snapshot": {"element": snapshot.elements},
        "differential": {"element": snapshot.differential()},
    }
