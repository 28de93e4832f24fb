"""The checking stage's gate: says what a resource departs from FHIR R4 (4.0.1) in, by the official table."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from service.checking.structure import check_any_resource
from service.checking.table import RESOURCE_TYPES
from service.checking.walk import Walk
from service.records.finding import Finding

WHAT_IS_NOT_CHECKED: tuple[str, ...] = (
    "whether a code exists in LOINC, SNOMED CT or any other terminology outside FHIR's own definitions",
    "whether a unit is written in UCUM's grammar (mappings are checked for it when they are loaded)",
    "bindings weaker than required, and media types and currencies, whose registries are outside FHIR",
    "invariants of warning severity, such as dom-6 (a narrative should be present)",
    "profiles named in meta.profile, vital signs among them, and the definitions of extensions",
    "whether the ids of elements are unique, and whether the system of an identifier is an absolute URI",
    "whether a reference to another server, or outside the Bundle, leads to anything",
    "whether the links and images of a narrative lead anywhere",
    "resources of types that the service neither makes nor takes: these are refused, not judged",
)
"""What the check does not look at, in words for a user."""


def check_resource(resource: Mapping[str, Any]) -> list[Finding]:
    """Return every departure of `resource` from R4; an empty list says that it has none of those looked for.

    A Bundle is a resource: its entries are read, and references among them are followed. Never raises,
    whatever JSON value it is given; `WHAT_IS_NOT_CHECKED` says where its judgement ends. No message repeats a
    value.

    Source: FHIR R4 (4.0.1), the StructureDefinitions, json.html, references.html, bundle.html.
    """
    walk = Walk()
    node: Any = resource
    if isinstance(node, Mapping) and not isinstance(node, dict):
        node = dict(node)
    kind = node.get("resourceType") if isinstance(node, dict) else None
    name = kind if isinstance(kind, str) and kind in RESOURCE_TYPES else "Resource"
    try:
        check_any_resource(node, (None, name, None), walk)
    except RecursionError:
        walk = Walk()
        walk.report("type", (None, name, None), "The resource is nested too deeply to be checked.")
    return walk.findings
