"""Compiles the nodes of a template into elements that render the record's values.

An element that asks for values and finds none of them is left out, so that a component whose measurement is
missing vanishes with its code.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from service.mapping.placeholders import Finder, Getter, PlaceholderCompiler, TemplateScope, Values, as_text
from service.problems import MappingFault, gathered
from service.vocabulary.computed_names import COMPUTED_NAMES
from service.vocabulary.conditions import Condition
from service.vocabulary.template_language import (
    FixedCode,
    ListNode,
    ObjectNode,
    TemplateNode,
    TextNode,
)
from service.vocabulary.yaml_tree import Located


@dataclass(frozen=True, slots=True)
class Constant:
    """An element that is always the same; every resource shares it, so nobody may change it."""

    value: Any
    place: Located
    parts: Mapping[str, Element] | Sequence[Element] = ()

    def render(self, values: Values) -> Any:  # noqa: ARG002 - what every element takes; a constant needs none.
        """Return the constant."""
        return self.value


@dataclass(frozen=True, slots=True)
class Looked:
    """An element that is looked up; `placeholders` are the alternatives of each placeholder in its text.

    `is_fixed` holds for one code of the tables and nothing else, which is one object for every record.
    """

    render: Getter
    placeholders: tuple[tuple[Finder, ...], ...]
    is_fixed: bool
    place: Located


class Object:
    """An element with members."""

    __slots__ = ("_is_asking", "_rendered", "members", "place", "when")

    def __init__(self, node: ObjectNode, members: Mapping[str, Element]) -> None:
        self._rendered = [(name, element.render, node.members[name].asks) for name, element in members.items()]
        self._is_asking = any(asks for _, _, asks in self._rendered)
        self.members = members
        self.when = node.when
        self.place = node.place

    def render(self, values: Values) -> Any:
        """Return the members that have a value; None where members ask and none of them finds anything."""
        if self.when is not None and not self.when.holds(values):
            return None
        rendered: dict[str, Any] = {}
        found = not self._is_asking
        for name, render, asks in self._rendered:
            value = render(values)
            if value is not None:
                rendered[name] = value
                if asks:
                    found = True
        return rendered if found else None


class Array:
    """An element that repeats."""

    __slots__ = ("_rendered", "items", "place")

    def __init__(self, items: Sequence[Element], place: Located) -> None:
        self._rendered = [element.render for element in items]
        self.items = items
        self.place = place

    def render(self, values: Values) -> Any:
        """Return the items that have a value; None where there are none. An item that is a list is spliced in."""
        rendered: list[Any] = []
        for render in self._rendered:
            value = render(values)
            if isinstance(value, list):
                rendered.extend(value)
            elif value is not None:
                rendered.append(value)
        return rendered or None


Element = Constant | Looked | Object | Array
"""One element of a template, compiled: `render` gives it for the values of a record, None where it is left out."""


def leaves_of(element: Element) -> Iterator[Constant | Looked]:
    """Yield what an element consists of at last: what is constant, and what is looked up."""
    match element:
        case Object():
            for member in element.members.values():
                yield from leaves_of(member)
        case Array():
            for item in element.items:
                yield from leaves_of(item)
        case _:
            yield element


def is_constant(element: Element) -> bool:
    """Return whether an element is one object for every record."""
    return isinstance(element, Constant) or (isinstance(element, Looked) and element.is_fixed)


class TemplateCompiler:
    """Compiles the templates of one record shape, and adds every fault of them to `faults`."""

    def __init__(self, scope: TemplateScope, faults: list[MappingFault]) -> None:
        self._scope = scope
        self._placeholders = PlaceholderCompiler(scope)
        self._faults = faults

    def check_condition(self, condition: Condition | None) -> None:
        """Note a fault for every name that a condition asks for and that is neither a field nor a computed name."""
        if condition is None:
            return
        for name in sorted(condition.names):
            if name not in self._scope.fields and name not in COMPUTED_NAMES:
                self._faults.append(condition.place.fault(f"there is no field {name!r} here"))
            self._scope.used.add(name)

    def compile(self, node: TemplateNode) -> Element:
        """Return the element of a node; a fault in it is noted, and the rest is still compiled."""
        match node:
            case ObjectNode():
                return self._object(node)
            case ListNode():
                elements = [self.compile(item) for item in node.items]
                if all(is_constant(element) for element in elements):
                    return Constant([element.render({}) for element in elements], node.place, elements)
                return Array(elements, node.place)
            case TextNode():
                with gathered(self._faults):
                    return self._text(node)
        return Constant(node.place.value, node.place)

    def _text(self, node: TextNode) -> Looked:
        placeholders = tuple(
            tuple(self._placeholders.compile(one, node.place) for one in alternatives)
            for alternatives in node.placeholders
        )
        is_fixed = node.is_whole and isinstance(node.placeholders[0][0], FixedCode)
        return Looked(_compile_text(node, placeholders), placeholders, is_fixed, node.place)

    def _object(self, node: ObjectNode) -> Element:
        self.check_condition(node.when)
        members = {name: self.compile(member) for name, member in node.members.items()}
        if node.when is None and all(is_constant(element) for element in members.values()):
            return Constant({name: element.render({}) for name, element in members.items()}, node.place, members)
        return Object(node, members)


def _first_of(finders: Sequence[Finder]) -> Getter:
    """Return the getter of the first alternative that finds something."""
    if len(finders) == 1:
        return finders[0].get
    getters = [finder.get for finder in finders]

    def first(values: Values) -> Any:
        for getter in getters:
            value = getter(values)
            if value is not None:
                return value
        return None

    return first


def _compile_text(node: TextNode, placeholders: Sequence[Sequence[Finder]]) -> Getter:
    """Return what a text gives for a record: the value of the one placeholder that it is, else a text.

    It gives None where a placeholder in it finds nothing.
    """
    getters = [_first_of(alternatives) for alternatives in placeholders]
    if node.is_whole:
        return getters[0]
    begin, *afters = node.pieces
    rest = tuple(zip(getters, afters, strict=True))

    def get(values: Values) -> Any:
        text = begin
        for getter, after in rest:
            value = getter(values)
            if value is None:
                return None
            text += (value if type(value) is str else as_text(value)) + after
        return text

    return get
