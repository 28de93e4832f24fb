"""Checks the members of a JSON object that hold objects: references, bound concepts, samples, extensions."""

from __future__ import annotations

from typing import Any

from service.checking.invariants import HoldsFor
from service.checking.node_check import ARRAY_NEEDED, NODE_CHECKS, CheckMember, CheckNode, Node, report_invariant
from service.checking.references import check_reference, is_plain_reference
from service.checking.sampled_data import check_sampled_data
from service.checking.walk import Path, Walk


def one_node(name: str, check: CheckNode) -> CheckMember:
    """Return the check of a member that holds one object."""

    def check_member(_node: Node, value: Any, path: Path, walk: Walk) -> None:
        check(value, (path, name, None), walk)

    return check_member


def many_nodes(name: str, check: CheckNode) -> CheckMember:
    """Return the check of a member that holds an array of objects."""

    def check_member(_node: Node, value: Any, path: Path, walk: Walk) -> None:
        if not isinstance(value, list):
            walk.report_broken("type", (path, name, None), ARRAY_NEEDED)
            return
        if not value:
            walk.report_broken("empty", (path, name, None), "An array may not be empty; leave it out.")
        for index, item in enumerate(value):
            check(item, (path, name, index), walk)

    return check_member


def reference_to(targets: frozenset[str]) -> CheckNode:
    """Return the check of a Reference that may lead to resources of the types `targets`; to any where empty."""
    check_structure = NODE_CHECKS["Reference"].check

    def check(node: Any, path: Path, walk: Walk) -> None:
        if is_plain_reference(node, targets):
            return
        before = walk.broken
        check_structure(node, path, walk)
        if walk.broken == before:
            check_reference(node, targets, path, walk)

    return check


def concept_from(systems: dict[str, frozenset[str] | None]) -> CheckNode:
    """Return the check of a CodeableConcept of which one coding must be among `systems`."""
    check_structure = NODE_CHECKS["CodeableConcept"].check

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


def sampled_data() -> CheckNode:
    """Return the check of a SampledData with its samples."""
    check_structure = NODE_CHECKS["SampledData"].check

    def check(node: Any, path: Path, walk: Walk) -> None:
        before = walk.broken
        check_structure(node, path, walk)
        if walk.broken == before:
            check_sampled_data(node, path, walk)

    return check


def outermost_extension() -> CheckNode:
    """Return the check of an extension that is not part of another, whose url may not be relative."""
    check_structure = NODE_CHECKS["Extension"].check

    def check(node: Any, path: Path, walk: Walk) -> None:
        before = walk.broken
        check_structure(node, path, walk)
        if walk.broken == before and ":" not in node["url"]:
            message = "The url of an extension must be absolute, except inside another extension."
            walk.report("primitive", (path, "url", None), message)

    return check


def with_invariants(check: CheckNode, invariants: tuple[tuple[str, HoldsFor], ...]) -> CheckNode:
    """Return `check` followed by the invariants that the element itself adds to its type."""
    if not invariants:
        return check

    def check_and_ask(node: Any, path: Path, walk: Walk) -> None:
        before = walk.broken
        check(node, path, walk)
        if walk.broken == before:
            for key, holds_for in invariants:
                verdict = holds_for(node)
                if not verdict:
                    report_invariant(key, path, walk, is_undecided=verdict is None)

    return check_and_ask
