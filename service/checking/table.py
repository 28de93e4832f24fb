"""Reads the table of FHIR R4 (4.0.1) that the checking stage is compiled from; made by make_r4_table.py."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

_RAW: dict[str, Any] = json.loads(Path(__file__).with_name("r4_table.json").read_text(encoding="utf-8"))


@dataclass(frozen=True, slots=True)
class ElementDefinition:
    """One element of a type as R4 defines it.

    `types` holds the names of its types, or those of one type's own path; a name that begins with @ is an
    attribute, which takes no extensions. `targets` is empty where any resource may be referred to.
    """

    name: str
    is_required: bool
    maximum: str
    types: tuple[str, ...]
    targets: frozenset[str]
    binding: str | None
    invariants: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class TypeDefinition:
    """One type, or one element that has elements of its own, called by its path."""

    name: str
    elements: tuple[ElementDefinition, ...]
    invariants: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class InvariantDefinition:
    """One invariant in the specification's words; `key` is the official one, which two rules may share."""

    key: str
    severity: str
    human: str
    expression: str


def _element(name: str, raw: dict[str, Any]) -> ElementDefinition:
    return ElementDefinition(
        name=name,
        is_required=raw.get("min", 0) == 1,
        maximum=raw.get("max", "1"),
        types=tuple(raw["types"]) if "types" in raw else (raw["content"],),
        targets=frozenset(raw.get("targets", ())) - {"Resource"},
        binding=raw.get("binding"),
        invariants=tuple(raw.get("invariants", ())),
    )


TYPES: dict[str, TypeDefinition] = {
    name: TypeDefinition(
        name=name,
        elements=tuple(_element(element, entry) for element, entry in raw["elements"].items()),
        invariants=tuple(raw.get("invariants", ())),
    )
    for name, raw in _RAW["types"].items()
}
"""Every type that a covered resource can reach."""

INVARIANTS: dict[str, InvariantDefinition] = {
    name: InvariantDefinition(name.split("@", maxsplit=1)[0], **raw) for name, raw in _RAW["invariants"].items()
}
"""Every invariant of those types."""

VALUE_SETS: dict[str, dict[str, frozenset[str] | None]] = {
    name: {system: None if codes is None else frozenset(codes) for system, codes in systems.items()}
    for name, systems in _RAW["valueSets"].items()
}
"""The codes of each value set that is bound as required, by system; None where the system lists none in FHIR."""

REGULAR_EXPRESSIONS: dict[str, str] = {
    name: raw["regex"] for name, raw in _RAW["primitives"].items() if "regex" in raw
}
"""The official grammar of each primitive type."""

PRIMITIVES: frozenset[str] = frozenset(_RAW["primitives"])

NARRATIVE_ELEMENTS: dict[str, frozenset[str]] = {
    name: frozenset(attributes) for name, attributes in _RAW["narrative"].items()
}
"""The XHTML elements that a narrative may use, each with its attributes (R4, fhir-xhtml.xsd)."""

COVERED_RESOURCES: frozenset[str] = frozenset(_RAW["resources"])
RESOURCE_TYPES: frozenset[str] = frozenset(_RAW["resourceTypes"])
