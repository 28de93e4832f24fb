"""Compiles a resource template (YAML shaped like the resource) into nodes that render the record's values.

Beside the elements of FHIR, a mapping in a template may hold

    $when: CONDITION     the element is left out unless the condition holds
    $like: NAME          the members of that fragment (fragments.yaml) are taken over; own members win

An element that asks for values and finds none of them is left out, so that a component whose measurement is
missing vanishes with its code.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Protocol

from service.mapping.compile_text import CompiledText, compile_text
from service.mapping.element_origins import ElementOrigin, Origin, looked_up_elements, origin_of
from service.mapping.placeholders import Getter, PlaceholderCompiler, Scope, Values, can_be_absent
from service.problems import MappingFault, WrongMapping
from service.vocabulary.conditions import Condition, compile_condition, names_asked_for
from service.vocabulary.yaml_tree import Located


class Node(Protocol):
    """One element of a template."""

    @property
    def asks(self) -> bool:
        """Return whether the element looks up anything that a record may lack."""

    @property
    def place(self) -> Located:
        """Return the line of the template that it is compiled from."""

    def render(self, values: Values) -> Any:
        """Return the element for these values; None where it is left out."""

    def origin(self, values: Values) -> Origin:
        """Return where the element's own value comes from; an element with members has none of its own."""

    @property
    def is_constant(self) -> bool:
        """Return whether every record gets the same element."""

    def constants(self) -> Iterator[Any]:
        """Yield the elements, itself or inside it, that every record gets alike; they are one object for all."""

    def explain(self, values: Values, path: str) -> Iterator[ElementOrigin]:
        """Yield the origin of every element that `render` gives, in its order."""


@dataclass(frozen=True, slots=True)
class Constant:
    """An element that is always the same; every resource shares it, so nobody may change it."""

    value: Any
    place: Located
    parts: Mapping[str, Node] | Sequence[Node] = ()
    asks: bool = False
    is_constant: bool = True

    def render(self, values: Values) -> Any:  # noqa: ARG002 - the protocol's argument; a constant needs none.
        """Return the constant."""
        return self.value

    def constants(self) -> Iterator[Any]:
        """Yield the constant."""
        yield self.value

    def origin(self, values: Values) -> Origin:  # noqa: ARG002 - as above.
        """Return that it is constant."""
        return Origin((), ("constant",))

    def explain(self, values: Values, path: str) -> Iterator[ElementOrigin]:
        """Yield the places of the constant's parts."""
        if isinstance(self.parts, Mapping):
            for name, node in self.parts.items():
                yield from node.explain(values, f"{path}.{name}")
        elif self.parts:
            yield from _explain_items(self.parts, values, path)
        else:
            yield ElementOrigin(path, self.origin(values), self.place)


@dataclass(frozen=True, slots=True)
class Looked:
    """An element that is looked up."""

    render: Getter
    text: CompiledText
    place: Located
    asks: bool = True
    is_constant: bool = False

    def constants(self) -> Iterator[Any]:
        """Yield the concept that it always gives, if it is such a one."""
        if self.is_constant:
            yield self.render({})

    def origin(self, values: Values) -> Origin:
        """Return which of the alternatives was found, and the fields that it looked at."""
        return origin_of(self.text, values)

    def explain(self, values: Values, path: str) -> Iterator[ElementOrigin]:
        """Yield the element with the codings in it, which come from the code tables."""
        yield from looked_up_elements(self.text, values, path, self.place)


class Object:
    """An element with members."""

    __slots__ = ("_asked", "_is_asking", "_members", "_nodes", "_when", "asks", "place")

    is_constant = False

    def __init__(
        self, members: Mapping[str, Node], when: Condition | None, asked: Sequence[str], place: Located
    ) -> None:
        self._members = [(name, node.render, node.asks) for name, node in members.items()]
        self._nodes = members
        self._when = when
        self._asked = tuple(asked)
        self._is_asking = any(node.asks for node in members.values())
        self.asks = when is not None or self._is_asking
        self.place = place

    def render(self, values: Values) -> Any:
        """Return the members that have a value; None where members ask and none of them finds anything."""
        if self._when is not None and not self._when(values):
            return None
        rendered: dict[str, Any] = {}
        found = not self._is_asking
        for name, render, asks in self._members:
            value = render(values)
            if value is not None:
                rendered[name] = value
                if asks:
                    found = True
        return rendered if found else None

    def constants(self) -> Iterator[Any]:
        """Yield the constants of the members."""
        for node in self._nodes.values():
            yield from node.constants()

    def origin(self, values: Values) -> Origin:  # noqa: ARG002 - the protocol's argument.
        """Return nothing of its own."""
        return Origin((), ())

    def explain(self, values: Values, path: str) -> Iterator[ElementOrigin]:
        """Yield the origins of the members that have a value; they hang on the fields of `$when` too."""
        if self.render(values) is None:
            return
        for name, node in self._nodes.items():
            if node.render(values) is not None:
                for element in node.explain(values, f"{path}.{name}"):
                    yield replace(element, when=(*self._asked, *element.when)) if self._asked else element


def _explain_items(nodes: Sequence[Node], values: Values, path: str) -> Iterator[ElementOrigin]:
    """Yield the origins of a list's items by the places that they have in it."""
    index = 0
    for node in nodes:
        value = node.render(values)
        if isinstance(value, list):
            for _ in value:
                yield ElementOrigin(f"{path}[{index}]", node.origin(values), node.place)
                index += 1
        elif value is not None:
            yield from node.explain(values, f"{path}[{index}]")
            index += 1


class Array:
    """An element that repeats."""

    __slots__ = ("_items", "_nodes", "asks", "place")

    is_constant = False

    def __init__(self, items: list[Node], place: Located) -> None:
        self._items = [node.render for node in items]
        self._nodes = items
        self.asks = any(node.asks for node in items)
        self.place = place

    def render(self, values: Values) -> Any:
        """Return the items that have a value; None where there are none. An item that is a list is spliced in."""
        rendered: list[Any] = []
        for render in self._items:
            value = render(values)
            if isinstance(value, list):
                rendered.extend(value)
            elif value is not None:
                rendered.append(value)
        return rendered or None

    def constants(self) -> Iterator[Any]:
        """Yield the constants of the items."""
        for node in self._nodes:
            yield from node.constants()

    def origin(self, values: Values) -> Origin:  # noqa: ARG002 - the protocol's argument.
        """Return nothing of its own."""
        return Origin((), ())

    def explain(self, values: Values, path: str) -> Iterator[ElementOrigin]:
        """Yield the origins of the items that have a value."""
        yield from _explain_items(self._nodes, values, path)


class TemplateCompiler:
    """Compiles the templates of one record shape and collects every fault of them."""

    def __init__(self, scope: Scope, fragments: Mapping[str, Located]) -> None:
        self._scope = scope
        self._placeholders = PlaceholderCompiler(scope)
        self._fragments = fragments
        self.faults: list[MappingFault] = []

    def condition(self, place: Located) -> Condition:
        """Return the condition at `place`, whose names must be fields or computed names."""
        for name in sorted(names_asked_for(place)):
            if name not in self._scope.fields and name not in self._scope.computed:
                self.faults.append(place.fault(f"there is no field {name!r} here"))
            self._scope.used.add(name)
        return compile_condition(place)

    def node(self, place: Located) -> Node:
        """Return the node for the element at `place`; a fault in it is noted, and the rest is still read."""
        try:
            if isinstance(place.value, dict):
                return self._object(place)
            if isinstance(place.value, list):
                return self._array(place)
            if isinstance(place.value, str):
                text = compile_text(self._placeholders, place)
                if text is None:
                    return Constant(place.value, place)
                return Looked(text.get, text, place, asks=can_be_absent(place.value), is_constant=text.is_fixed)
            if place.value is None:
                place.refuse("an element without a value is left out of a template")
        except WrongMapping as wrong:
            self.faults.extend(wrong.faults)
        return Constant(place.value, place)

    def _object(self, place: Located) -> Node:
        members = self.with_fragment(place)
        asked = sorted(names_asked_for(members["$when"])) if "$when" in members else []
        when = self.condition(members.pop("$when")) if "$when" in members else None
        unknown = [name for name in members if name.startswith("$")]
        for name in unknown:
            self.faults.append(members[name].fault(f"{name!r} is not known; known are: $when, $like"))
        nodes = {name: self.node(member) for name, member in members.items()}
        if when is None and all(node.is_constant for node in nodes.values()):
            return Constant({name: node.render({}) for name, node in nodes.items()}, place, nodes)
        return Object(nodes, when, asked, place)

    def _array(self, place: Located) -> Node:
        nodes = [self.node(item) for item in place.items()]
        if all(node.is_constant for node in nodes):
            return Constant([node.render({}) for node in nodes], place, nodes)
        return Array(nodes, place)

    def with_fragment(self, place: Located) -> dict[str, Located]:
        """Return the members at `place` after those of the fragment that `$like` names, which they overrule."""
        members = dict(place.members())
        like = members.pop("$like", None)
        if like is None:
            return members
        fragment = self._fragments.get(like.text())
        if fragment is None:
            like.refuse(f"there is no fragment {like.text()!r} in fragments.yaml")
        return {**self.with_fragment(fragment), **members}
