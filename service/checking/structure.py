"""Compiles the table of R4 into checks of elements: names, cardinality, choices, types, required bindings.

Everything is compiled once, at import, into dictionaries of small functions; a reading then costs one lookup
and one call for each member of the JSON. Source: FHIR R4 (4.0.1), json.html and the StructureDefinitions.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from service.checking.bundle_rules import check_bundle
from service.checking.invariants import (
    CHECKED_ELSEWHERE,
    INVARIANT_CHECKS,
    NOT_CHECKED,
    HoldsFor,
    choice_suffix,
)
from service.checking.primitives import PRIMITIVE_CHECKS, CheckPrimitive, check_code_of
from service.checking.references import check_local_references, check_reference
from service.checking.sampled_data import check_sampled_data
from service.checking.table import (
    COVERED_RESOURCES,
    INVARIANTS,
    PRIMITIVES,
    RESOURCE_TYPES,
    TYPES,
    VALUE_SETS,
    ElementDefinition,
)
from service.checking.walk import LocalMention, Path, Walk

Node = dict[str, Any]
CheckMember = Callable[[Node, Any, Path, Walk], None]
"""Checks one member of a JSON object: the object, the member's value, the object's path, the reading."""

CheckNode = Callable[[Any, Path, Walk], None]

_LOCAL_STARTS = ("", "#")
_CHECKED_URNS = ("urn:uuid", "urn:oid:")
_TEXTS = frozenset(("markdown", "string"))
_MENTIONING = frozenset(("canonical", "uri", "url"))
_ARRAY_NEEDED = "The element repeats in R4; its JSON is an array."
_LONGEST_NAME = 64


class NodeCheck:
    """The compiled check of one type, or of one element that has elements of its own."""

    __slots__ = ("asks_presence", "choices", "invariants", "is_resource", "members", "name", "required")

    def __init__(self, name: str) -> None:
        self.name = name
        self.is_resource = name in COVERED_RESOURCES
        self.asks_presence = False
        self.members: dict[str, CheckMember] = {}
        self.required: tuple[tuple[str, str], ...] = ()
        self.choices: tuple[tuple[str, frozenset[str], bool], ...] = ()
        self.invariants: tuple[tuple[str, HoldsFor], ...] = ()

    def check(self, node: Any, path: Path, walk: Walk) -> None:
        """Add what is wrong with `node`; its invariants are asked only where its structure is sound."""
        if not isinstance(node, dict):
            _report_no_object(node, path, walk)
            return
        if not node:
            walk.report_broken("empty", path, "An element may not be empty; leave it out.")
            return
        before = walk.broken
        members = self.members
        for name, value in node.items():
            check_member = members.get(name)
            if check_member is None:
                self._report_unknown(name, path, walk)
            else:
                check_member(node, value, path, walk)
        if self.asks_presence:
            self._check_presence(node, path, walk)
        if walk.broken == before:
            if len(node) == 1 and "id" in node and not self.is_resource:
                _report_invariant("ele-1", path, walk)
            for key, holds_for in self.invariants:
                if not holds_for(node):
                    _report_invariant(key, path, walk)

    def _check_presence(self, node: Node, path: Path, walk: Walk) -> None:
        for name, shadow in self.required:
            if name not in node and shadow not in node:
                walk.report_broken("min", (path, name, None), "R4 requires this element.")
        for name, names, is_required in self.choices:
            present = names.intersection(node)
            if len(present) != 1 and (present or is_required):
                _check_choice(name, present, path, walk)

    def _report_unknown(self, name: str, path: Path, walk: Walk) -> None:
        # A name that is no FHIR name is not repeated: nobody knows what a client put there.
        is_printable = name.isascii() and name.isidentifier() and len(name) <= _LONGEST_NAME
        where = (path, name, None) if is_printable else path
        for choice, _, _ in self.choices:
            rest = name.removeprefix("_").removeprefix(choice)
            if rest[:1].isupper() and name.removeprefix("_") != rest:
                walk.report_broken("choice", where, f"The type is not one that {choice}[x] may have here.")
                return
        walk.report_broken("unknown-element", where, f"{self.name} has no such element in R4.")


def _report_no_object(node: Any, path: Path, walk: Walk) -> None:
    if node is None:
        walk.report_broken("empty", path, "null has no meaning here; leave the element out.")
    elif isinstance(node, list):
        walk.report_broken("max", path, "The element does not repeat here; its JSON is one object.")
    else:
        walk.report_broken("type", path, "A JSON object is required here.")


def _report_invariant(key: str, path: Path, walk: Walk) -> None:
    invariant = INVARIANTS[key]
    walk.report(invariant.key, path, invariant.human.rstrip(".") + ".")


def _check_choice(name: str, present: frozenset[str], path: Path, walk: Walk) -> None:
    if not present:
        walk.report_broken("min", (path, name, None), f"R4 requires one {name}[x].")
    elif len({key.removeprefix("_") for key in present}) > 1:
        walk.report_broken("choice", (path, name, None), f"Only one {name}[x] may be present.")


_NODE_CHECKS: dict[str, NodeCheck] = {name: NodeCheck(name) for name in TYPES}
_ELEMENT_CHECK = _NODE_CHECKS["Element"].check


# ---- primitive members --------------------------------------------------------------------------------------


def _one_primitive(name: str, check: CheckPrimitive) -> CheckMember:
    """Return the check of a primitive that stands once."""

    def check_member(_node: Node, value: Any, path: Path, walk: Walk) -> None:
        problem = check(value)
        if problem is not None:
            rule, message = problem
            if isinstance(value, list):
                rule, message = "max", "The element does not repeat here; its JSON is one value."
            walk.report_broken(rule, (path, name, None), message)

    return check_member


def _one_text(check_member: CheckMember) -> CheckMember:
    """Return `check_member` with a quick way for the short printable text that nearly every string is."""

    def check_quickly(node: Node, value: Any, path: Path, walk: Walk) -> None:
        if not (isinstance(value, str) and value.isprintable() and 0 < len(value) < 1000 and value[0] != " "):
            check_member(node, value, path, walk)

    return check_quickly


def _one_uri(check_member: CheckMember) -> CheckMember:
    """Return `check_member` with a quick way for a printable uri that nothing more is asked of."""

    def check_quickly(node: Node, value: Any, path: Path, walk: Walk) -> None:
        if (
            not (isinstance(value, str) and value.isprintable() and " " not in value)
            or value[:1] in _LOCAL_STARTS
            or value[:8] in _CHECKED_URNS
        ):
            check_member(node, value, path, walk)

    return check_quickly


def _many_primitives(name: str, check: CheckPrimitive) -> CheckMember:
    shadow = "_" + name

    def check_member(node: Node, value: Any, path: Path, walk: Walk) -> None:
        if not isinstance(value, list):
            walk.report_broken("type", (path, name, None), _ARRAY_NEEDED)
            return
        if not value:
            walk.report_broken("empty", (path, name, None), "An array may not be empty; leave it out.")
        for index, item in enumerate(value):
            problem = check(item)
            if problem is not None and not (item is None and _has_partner(node.get(shadow), index)):
                walk.report_broken(problem[0], (path, name, index), problem[1])

    return check_member


def _has_partner(shadows: Any, index: int) -> bool:
    return isinstance(shadows, list) and index < len(shadows) and shadows[index] is not None


def _mentioning(name: str, check_member: CheckMember) -> CheckMember:
    """Return a check that also notes where a uri points into the resource itself."""

    def note(mention: Any, path: Path, walk: Walk) -> None:
        if isinstance(mention, str) and mention.startswith("#"):
            walk.mentions.append(LocalMention((path, name, None), mention, None, walk.contained_index))

    def check_and_note(node: Node, value: Any, path: Path, walk: Walk) -> None:
        check_member(node, value, path, walk)
        if isinstance(value, list):
            for item in value:
                note(item, path, walk)
        else:
            note(value, path, walk)

    return check_and_note


def _shadow_of_one(name: str) -> CheckMember:
    """Return the check of `_name`, which carries the id and the extensions of a primitive."""

    def check_member(node: Node, value: Any, path: Path, walk: Walk) -> None:
        _check_shadow(value, (path, "_" + name, None), walk, has_value=name in node)

    return check_member


def _shadows_of_many(name: str) -> CheckMember:
    def check_member(node: Node, value: Any, path: Path, walk: Walk) -> None:
        where: Path = (path, "_" + name, None)
        if not isinstance(value, list):
            walk.report_broken("type", where, _ARRAY_NEEDED)
            return
        if not value:
            walk.report_broken("empty", where, "An array may not be empty; leave it out.")
        values = node.get(name)
        if isinstance(values, list) and len(values) != len(value):
            walk.report_broken("type", where, "The array must be as long as that of the values.")
        for index, item in enumerate(value):
            has_value = isinstance(values, list) and index < len(values) and values[index] is not None
            if item is None and (has_value or isinstance(values, list)):
                continue
            _check_shadow(item, (path, "_" + name, index), walk, has_value=has_value)

    return check_member


def _check_shadow(value: Any, path: Path, walk: Walk, *, has_value: bool) -> None:
    if has_value and isinstance(value, dict) and value.keys() == {"id"}:
        # An id alone is an empty element (ele-1), but not where the value itself is there.
        _NODE_CHECKS["Element"].members["id"](value, value["id"], path, walk)
    else:
        _ELEMENT_CHECK(value, path, walk)


# ---- members that are objects -------------------------------------------------------------------------------


def _one_node(name: str, check: CheckNode) -> CheckMember:
    def check_member(_node: Node, value: Any, path: Path, walk: Walk) -> None:
        check(value, (path, name, None), walk)

    return check_member


def _many_nodes(name: str, check: CheckNode) -> CheckMember:
    def check_member(_node: Node, value: Any, path: Path, walk: Walk) -> None:
        if not isinstance(value, list):
            walk.report_broken("type", (path, name, None), _ARRAY_NEEDED)
            return
        if not value:
            walk.report_broken("empty", (path, name, None), "An array may not be empty; leave it out.")
        for index, item in enumerate(value):
            check(item, (path, name, index), walk)

    return check_member


def _reference_to(targets: frozenset[str]) -> CheckNode:
    check_structure = _NODE_CHECKS["Reference"].check

    def check(node: Any, path: Path, walk: Walk) -> None:
        before = walk.broken
        check_structure(node, path, walk)
        if walk.broken == before:
            check_reference(node, targets, path, walk)

    return check


def _concept_from(systems: dict[str, frozenset[str] | None]) -> CheckNode:
    check_structure = _NODE_CHECKS["CodeableConcept"].check

    def is_bound(coding: Node) -> bool:
        codes = systems.get(coding.get("system", ""), frozenset())
        return codes is None or coding.get("code") in codes

    def check(node: Any, path: Path, walk: Walk) -> None:
        before = walk.broken
        check_structure(node, path, walk)
        # A concept that is an extension alone (data-absent-reason, say) makes no claim to be judged.
        is_judged = walk.broken == before and ("coding" in node or "text" in node)
        if is_judged and not any(is_bound(coding) for coding in node.get("coding", ())):
            walk.report("binding", path, "No coding is from the value set that R4 requires here.")

    return check


def _sampled_data() -> CheckNode:
    check_structure = _NODE_CHECKS["SampledData"].check

    def check(node: Any, path: Path, walk: Walk) -> None:
        before = walk.broken
        check_structure(node, path, walk)
        if walk.broken == before:
            check_sampled_data(node, path, walk)

    return check


def _with_invariants(check: CheckNode, invariants: tuple[tuple[str, HoldsFor], ...]) -> CheckNode:
    if not invariants:
        return check

    def check_and_ask(node: Any, path: Path, walk: Walk) -> None:
        before = walk.broken
        check(node, path, walk)
        if walk.broken == before:
            for key, holds_for in invariants:
                if not holds_for(node):
                    _report_invariant(key, path, walk)

    return check_and_ask


def _primitive_with_invariants(
    name: str, check_member: CheckMember, invariants: tuple[tuple[str, HoldsFor], ...]
) -> CheckMember:
    if not invariants:
        return check_member

    def check_and_ask(node: Node, value: Any, path: Path, walk: Walk) -> None:
        before = walk.broken
        check_member(node, value, path, walk)
        if walk.broken == before:
            for key, holds_for in invariants:
                if not holds_for(value):
                    _report_invariant(key, (path, name, None), walk)

    return check_and_ask


# ---- resources ----------------------------------------------------------------------------------------------


def check_any_resource(node: Any, path: Path, walk: Walk) -> None:
    """Add what is wrong with a resource that stands for itself: at the top, or in an entry of a Bundle."""
    kind = _covered_type(node, path, walk)
    if kind is None:
        return
    outer = (walk.mentions, walk.contained_index, walk.urns, walk.is_transaction)
    walk.mentions, walk.contained_index = [], None
    if kind == "Bundle":
        walk.urns, walk.is_transaction = [], node.get("type") == "transaction"
    _NODE_CHECKS[kind].check(node, path, walk)
    check_local_references(node, path, walk)
    if kind == "Bundle":
        check_bundle(node, path, walk)
        walk.urns, walk.is_transaction = outer[2], outer[3]
    walk.mentions, walk.contained_index = outer[0], outer[1]


def _check_contained_resource(node: Any, path: Path, walk: Walk) -> None:
    kind = _covered_type(node, path, walk)
    if kind is None:
        return
    outer = walk.contained_index
    if outer is None:
        walk.contained_index = path[2]
    _NODE_CHECKS[kind].check(node, path, walk)
    walk.contained_index = outer


def _covered_type(node: Any, path: Path, walk: Walk) -> str | None:
    if not isinstance(node, dict):
        _report_no_object(node, path, walk)
        return None
    kind = node.get("resourceType")
    if not isinstance(kind, str) or kind not in RESOURCE_TYPES:
        walk.report_broken("type", path, "The resourceType is not one of R4.")
    elif kind not in COVERED_RESOURCES:
        walk.report_broken("type", path, f"The service has no table for {kind}, so that it cannot be checked.")
    else:
        return kind
    return None


# ---- compilation --------------------------------------------------------------------------------------------


def _invariant_checks(names: tuple[str, ...]) -> tuple[tuple[str, HoldsFor], ...]:
    asked = []
    for name in names:
        is_error = INVARIANTS[name].severity == "error"
        if is_error and name not in CHECKED_ELSEWHERE and name not in NOT_CHECKED:
            asked.append((name, INVARIANT_CHECKS[name]))
    return tuple(asked)


def _ignore(_node: Node, _value: Any, _path: Path, _walk: Walk) -> None:
    """Accept a member that was read already."""


def _check_of_type(kind: str, element: ElementDefinition) -> CheckNode:
    if kind == "Resource":
        return _check_contained_resource if element.name == "contained" else check_any_resource
    if kind == "Reference":
        return _reference_to(element.targets)
    if kind == "SampledData":
        return _sampled_data()
    if kind == "CodeableConcept" and element.binding is not None:
        return _concept_from(VALUE_SETS[element.binding])
    return _NODE_CHECKS[kind].check


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
    member = _many_primitives(name, check_value) if repeats else _one_primitive(name, check_value)
    if kind in _MENTIONING:
        member = _mentioning(name, member)
    if not repeats and kind in _MENTIONING:
        member = _one_uri(member)
    elif not repeats and kind in _TEXTS:
        member = _one_text(member)
    check.members[name] = _primitive_with_invariants(name, member, _invariant_checks(element.invariants))
    if not is_attribute:
        check.members["_" + name] = _shadows_of_many(name) if repeats else _shadow_of_one(name)


def _add_element(check: NodeCheck, element: ElementDefinition) -> None:
    base = element.name.removesuffix("[x]")
    for kind in element.types:
        name = base if element.name == base else base + choice_suffix(kind)
        if kind.removeprefix("@") in PRIMITIVES:
            _add_primitive(check, name, kind, element)
        else:
            check_node = _with_invariants(_check_of_type(kind, element), _invariant_checks(element.invariants))
            add = _many_nodes if element.maximum == "*" else _one_node
            check.members[name] = add(name, check_node)


def _compile() -> None:
    for name, definition in TYPES.items():
        check = _NODE_CHECKS[name]
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
