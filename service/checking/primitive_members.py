"""Checks the members of a JSON object that hold primitives, and those that hold their ids and extensions.

Source: FHIR R4 (4.0.1), json.html, representation of primitive elements.
"""

from __future__ import annotations

from typing import Any

from service.checking.invariants import HoldsFor
from service.checking.node_check import (
    ARRAY_NEEDED,
    ELEMENT_CHECK,
    NODE_CHECKS,
    CheckMember,
    Node,
    report_invariant,
)
from service.checking.primitives import CheckPrimitive, PrimitiveFault
from service.checking.walk import LocalMention, Path, Walk

_LOCAL_STARTS = ("", "#")
_CHECKED_URNS = ("urn:uuid", "urn:oid:")
_REPEATED = PrimitiveFault("max", "The element cannot repeat here, so its JSON must be one value.")


def one_primitive(name: str, check: CheckPrimitive) -> CheckMember:
    """Return the check of a primitive that does not repeat."""

    def check_member(_node: Node, value: Any, path: Path, walk: Walk) -> None:
        problem = check(value)
        if problem is not None:
            _report_problem(_REPEATED if isinstance(value, list) else problem, (path, name, None), walk)

    return check_member


def one_text(check_member: CheckMember) -> CheckMember:
    """Return `check_member` with a quick way for the short printable text that nearly every string is."""

    def check_quickly(node: Node, value: Any, path: Path, walk: Walk) -> None:
        if not (isinstance(value, str) and value.isprintable() and 0 < len(value) < 1000 and value[0] != " "):
            check_member(node, value, path, walk)

    return check_quickly


def one_uri(check_member: CheckMember) -> CheckMember:
    """Return `check_member` with a quick way for a printable uri that nothing more is asked of."""

    def check_quickly(node: Node, value: Any, path: Path, walk: Walk) -> None:
        if (
            not (isinstance(value, str) and value.isprintable() and " " not in value)
            or value[:1] in _LOCAL_STARTS
            or value[:8] in _CHECKED_URNS
        ):
            check_member(node, value, path, walk)

    return check_quickly


def many_primitives(name: str, check: CheckPrimitive) -> CheckMember:
    """Return the check of a primitive that repeats; null is allowed where only `_name` has something to say."""
    shadow = "_" + name

    def check_member(node: Node, value: Any, path: Path, walk: Walk) -> None:
        if not isinstance(value, list):
            walk.report_broken("type", (path, name, None), ARRAY_NEEDED)
            return
        if not value:
            walk.report_broken("empty", (path, name, None), "An array may not be empty; leave it out.")
        for index, item in enumerate(value):
            problem = check(item)
            if problem is not None and not (item is None and _has_partner(node.get(shadow), index)):
                _report_problem(problem, (path, name, index), walk)

    return check_member


def _report_problem(problem: PrimitiveFault, path: Path, walk: Walk) -> None:
    if problem.severity == "warning":
        walk.report(problem.rule, path, problem.message, severity="warning")
    else:
        walk.report_broken(problem.rule, path, problem.message)


def _has_partner(shadows: Any, index: int) -> bool:
    return isinstance(shadows, list) and index < len(shadows) and shadows[index] is not None


def mentioning(name: str, check_member: CheckMember) -> CheckMember:
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


def shadow_of_one(name: str) -> CheckMember:
    """Return the check of `_name`, which carries the id and the extensions of a primitive."""

    def check_member(node: Node, value: Any, path: Path, walk: Walk) -> None:
        _check_shadow(value, (path, "_" + name, None), walk, has_value=name in node)

    return check_member


def shadows_of_many(name: str) -> CheckMember:
    """Return the check of `_name` for a primitive that repeats: an array as long as that of the values."""

    def check_member(node: Node, value: Any, path: Path, walk: Walk) -> None:
        where: Path = (path, "_" + name, None)
        if not isinstance(value, list):
            walk.report_broken("type", where, ARRAY_NEEDED)
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
        NODE_CHECKS["Element"].members["id"](value, value["id"], path, walk)
    else:
        ELEMENT_CHECK(value, path, walk)


def primitive_with_invariants(
    name: str, check_member: CheckMember, invariants: tuple[tuple[str, HoldsFor], ...]
) -> CheckMember:
    """Return `check_member` followed by the invariants that the element itself adds to its type."""
    if not invariants:
        return check_member

    def check_and_ask(node: Node, value: Any, path: Path, walk: Walk) -> None:
        before = walk.broken
        check_member(node, value, path, walk)
        if walk.broken == before:
            for key, holds_for in invariants:
                verdict = holds_for(value)
                if not verdict:
                    report_invariant(key, (path, name, None), walk, is_undecided=verdict is None)

    return check_and_ask
