"""Compiles the table of R4 into checks of resources: names, cardinality, choices, types, required bindings.

Everything is compiled once, at import, into dictionaries of small functions; a reading then costs one lookup
and one call for each member of the JSON. Source: FHIR R4 (4.0.1), json.html and the StructureDefinitions.
"""

from __future__ import annotations

from typing import Any

from service.checking.bundle_rules import check_bundle
from service.checking.invariants import (
    CHECKED_ELSEWHERE,
    INVARIANT_CHECKS,
    NOT_CHECKED,
    HoldsFor,
    choice_suffix,
)
from service.checking.node_check import NODE_CHECKS, CheckNode, Node, NodeCheck, report_no_object
from service.checking.object_members import (
    concept_from,
    many_nodes,
    one_node,
    outermost_extension,
    reference_to,
    sampled_data,
    with_invariants,
)
from service.checking.primitive_members import (
    many_primitives,
    mentioning,
    one_primitive,
    one_text,
    one_uri,
    primitive_with_invariants,
    shadow_of_one,
    shadows_of_many,
)
from service.checking.primitives import PRIMITIVE_CHECKS, CheckPrimitive, check_code_of
from service.checking.references import check_local_references
from service.checking.table import (
    COVERED_RESOURCES,
    INVARIANTS,
    PRIMITIVES,
    RESOURCE_TYPES,
    TYPES,
    VALUE_SETS,
    ElementDefinition,
)
from service.checking.walk import Path, Walk

_TEXTS = frozenset(("markdown", "string"))
_MENTIONING = frozenset(("canonical", "uri", "url"))


def check_any_resource(node: Any, path: Path, walk: Walk) -> None:
    """Add what is wrong with a resource that is not contained: at the top, or in an entry of a Bundle."""
    kind = _covered_type(node, path, walk)
    if kind is None:
        return
    outer = (walk.mentions, walk.contained_index, walk.urns, walk.is_transaction)
    walk.mentions, walk.contained_index = [], None
    if kind == "Bundle":
        walk.urns, walk.is_transaction = [], node.get("type") == "transaction"
    NODE_CHECKS[kind].check(node, path, walk)
    check_local_references(node, path, walk)
    if kind == "Bundle":
        check_bundle(node, path, walk)
        walk.urns, walk.is_transaction = outer[2], outer[3]
    walk.mentions, walk.contained_index = outer[0], outer[1]


def _check_contained_resource(node: Any, path: Path, walk: Walk) -> None:
    kind = _covered_type(node, path, walk)
    if kind is None:
        return
    if "id" not in node:
        walk.report("min", (path, "id", None), "A contained resource needs an id to be referred to by.")
    outer = walk.contained_index
    if outer is None:
        walk.contained_index = path[2]
    NODE_CHECKS[kind].check(node, path, walk)
    walk.contained_index = outer


def _covered_type(node: Any, path: Path, walk: Walk) -> str | None:
    if not isinstance(node, dict):
        report_no_object(node, path, walk)
        return None
    kind = node.get("resourceType")
    if not isinstance(kind, str) or kind not in RESOURCE_TYPES:
        walk.report_broken("type", path, "The resourceType is not one of R4.")
    elif kind not in COVERED_RESOURCES:
        walk.report_broken("type", path, f"The service has no table for {kind}, so that it cannot be checked.")
    else:
        return kind
    return None


def _invariant_checks(names: tuple[str, ...]) -> tuple[tuple[str, HoldsFor], ...]:
    asked = []
    for name in names:
        is_error = INVARIANTS[name].severity == "error"
        if is_error and name not in CHECKED_ELSEWHERE and name not in NOT_CHECKED:
            asked.append((name, INVARIANT_CHECKS[name]))
    return tuple(asked)


def _ignore(_node: Node, _value: Any, _path: Path, _walk: Walk) -> None:
    """Accept a member that was read already."""


def _check_of_type(kind: str, element: ElementDefinition, owner: str) -> CheckNode:
    if kind == "Resource":
        return _check_contained_resource if element.name == "contained" else check_any_resource
    if kind == "Extension" and owner != "Extension":
        return outermost_extension()
    if kind == "Reference":
        return reference_to(element.targets)
    if kind == "SampledData":
        return sampled_data()
    if kind == "CodeableConcept" and element.binding is not None:
        return concept_from(VALUE_SETS[element.binding])
    return NODE_CHECKS[kind].check


def _primitive_check(kind: str, binding: str | None) -> CheckPrimitive:
    if binding is not None:
        lists = VALUE_SETS[binding].values()
        if None not in lists:
            return check_code_of(frozenset(code for codes in lists if codes for code in codes))
    return PRIMITIVE_CHECKS[kind]


def _add_primitive(check: NodeCheck, name: str, kind: str, element: ElementDefinition) -> None:
    is_attribute = kind.startswith("@")
    kind = kind.removeprefix("@")
    repeats = element.maximum == "*"
    check_value = _primitive_check(kind, element.binding)
    member = many_primitives(name, check_value) if repeats else one_primitive(name, check_value)
    if kind in _MENTIONING:
        member = mentioning(name, member)
    if not repeats and kind in _MENTIONING:
        member = one_uri(member)
    elif not repeats and kind in _TEXTS:
        member = one_text(member)
    check.members[name] = primitive_with_invariants(name, member, _invariant_checks(element.invariants))
    if not is_attribute:
        check.members["_" + name] = shadows_of_many(name) if repeats else shadow_of_one(name)


def _add_element(check: NodeCheck, element: ElementDefinition) -> None:
    base = element.name.removesuffix("[x]")
    for kind in element.types:
        name = base if element.name == base else base + choice_suffix(kind)
        if kind.removeprefix("@") in PRIMITIVES:
            _add_primitive(check, name, kind, element)
        else:
            check_node = with_invariants(
                _check_of_type(kind, element, check.name), _invariant_checks(element.invariants)
            )
            add = many_nodes if element.maximum == "*" else one_node
            check.members[name] = add(name, check_node)


def _compile() -> None:
    for name, definition in TYPES.items():
        check = NODE_CHECKS[name]
        required, choices = [], []
        for element in definition.elements:
            # An element of at most none (SimpleQuantity.comparator) stays readable: an invariant forbids it.
            _add_element(check, element)
            base = element.name.removesuffix("[x]")
            if element.name != base:
                names = {base + choice_suffix(kind) for kind in element.types}
                shadows = {"_" + choice for choice in names}
                choices.append((base, frozenset(names | shadows), element.is_required))
            elif element.is_required:
                required.append((base, "_" + base))
        if check.is_resource:
            check.members["resourceType"] = _ignore
        check.required, check.choices = tuple(required), tuple(choices)
        check.asks_presence = bool(required or choices)
        check.invariants = _invariant_checks(definition.invariants)


_compile()
