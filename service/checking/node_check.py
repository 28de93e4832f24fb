"""Checks JSON objects as elements of R4: names, presence, choices; their invariants where they are sound.

Source: FHIR R4 (4.0.1), json.html and the StructureDefinitions.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

from service.checking.invariants import HoldsFor
from service.checking.table import COVERED_RESOURCES, INVARIANTS, TYPES
from service.checking.walk import Path, Walk

Node = dict[str, Any]
CheckMember = Callable[[Node, Any, Path, Walk], None]
"""Checks one member of a JSON object: the object, the member's value, the object's path, the reading."""

CheckNode = Callable[[Any, Path, Walk], None]
"""Checks one value that ought to be a JSON object: the value, its path, the reading."""

ARRAY_NEEDED = "The element can repeat in R4, so its JSON must be an array."
_LONGEST_NAME = 64


_SOUND_AS: dict[int, set[NodeCheck]] = {}
"""For each remembered constant, by its identity, the types as which it was read and found sound."""

_CONSTANTS: list[Node] = []
"""The remembered constants themselves, so that no other object ever takes the identity of one."""


def remember_constants(constants: Iterable[Any]) -> None:
    """Have objects that never change, and those inside them, checked once as each type and not again.

    Only for what is shared by many resources and changed by nobody: the concepts of the code tables, and what a
    template gives every resource alike. What depends on the place of an object, such as a binding, is asked of it
    every time.
    """
    waiting: list[Any] = list(constants)
    while waiting:
        value = waiting.pop()
        if isinstance(value, list):
            waiting.extend(value)
        elif isinstance(value, dict) and id(value) not in _SOUND_AS:
            _SOUND_AS[id(value)] = set()
            _CONSTANTS.append(value)
            waiting.extend(value.values())


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
            report_no_object(node, path, walk)
            return
        if not node:
            walk.report_broken("empty", path, "An element may not be empty; leave it out.")
            return
        sound_as = _SOUND_AS.get(id(node))
        if sound_as is not None and self in sound_as:
            return
        before = walk.broken
        noted_before = 0 if sound_as is None else walk.noted
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
                report_invariant("ele-1", path, walk)
            for key, holds_for in self.invariants:
                verdict = holds_for(node)
                if not verdict:
                    report_invariant(key, path, walk, is_undecided=verdict is None)
        # What mentions another resource, or is right in a transaction only, must be read again in each resource.
        if sound_as is not None and walk.noted == noted_before and not walk.is_transaction:
            sound_as.add(self)

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


def report_no_object(node: Any, path: Path, walk: Walk) -> None:
    """Add the finding about a value where a JSON object must be."""
    if node is None:
        walk.report_broken("empty", path, "null is not allowed here; leave the element out.")
    elif isinstance(node, list):
        walk.report_broken("max", path, "The element cannot repeat here, so its JSON must be one object.")
    else:
        walk.report_broken("type", path, "A JSON object is required here.")


def report_invariant(key: str, path: Path, walk: Walk, *, is_undecided: bool = False) -> None:
    """Add the finding about an invariant that does not hold, or a warning where nobody can decide it."""
    invariant = INVARIANTS[key]
    rule = invariant.human.rstrip(".") + "."
    if is_undecided:
        walk.report(invariant.key, path, f"It cannot be decided whether this holds: {rule}", severity="warning")
    else:
        walk.report(invariant.key, path, rule)


def _check_choice(name: str, present: frozenset[str], path: Path, walk: Walk) -> None:
    if not present:
        walk.report_broken("min", (path, name, None), f"R4 requires one {name}[x].")
    elif len({key.removeprefix("_") for key in present}) > 1:
        walk.report_broken("choice", (path, name, None), f"Only one {name}[x] may be present.")


NODE_CHECKS: dict[str, NodeCheck] = {name: NodeCheck(name) for name in TYPES}
ELEMENT_CHECK = NODE_CHECKS["Element"].check
