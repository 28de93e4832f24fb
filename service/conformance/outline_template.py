"""Reads out of a resource template what every resource made from it has in common; profiles are written from it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from service.vocabulary.code_tables import CodeTable, Concept
from service.vocabulary.fields import FieldDefinition
from service.vocabulary.template_language import (
    Absence,
    FieldValue,
    FixedCode,
    ListNode,
    Lookup,
    ObjectNode,
    ReferenceTo,
    ResourceNode,
    TemplateNode,
    TextNode,
)


@dataclass(frozen=True, slots=True)
class Fixed:
    """An element that is the same in every resource; `concept` is set where it is one of a code table."""

    value: Any
    concept: Concept | None = None


@dataclass(frozen=True, slots=True)
class Coded:
    """A word of a code table, or what a client sent instead; `has_others` where the template itself adds codes."""

    table: CodeTable
    has_others: bool = False


@dataclass(frozen=True, slots=True)
class Measured:
    """A Quantity in one of `units` (UCUM); any unit where there are none. `field` is its name."""

    units: tuple[str, ...]
    field: str


@dataclass(frozen=True, slots=True)
class Refers:
    """A Reference to a resource of one of these types."""

    types: frozenset[str]


@dataclass(frozen=True, slots=True)
class Anything:
    """An element of which only the presence is known."""


@dataclass(frozen=True, slots=True)
class Several:
    """An element that repeats, with what each repetition holds."""

    items: tuple[Outline, ...]


@dataclass(frozen=True, slots=True)
class Parts:
    """An element with elements of its own, by FHIR's JSON name.

    `says_absence` holds where it has either a value or the reason why there is none, for one field.
    """

    members: Mapping[str, Outline]
    says_absence: bool


Content = Fixed | Coded | Measured | Refers | Anything | Several | Parts


@dataclass(frozen=True, slots=True)
class Outline:
    """What is known of one element: what it holds, and whether it is always there.

    `asks` says whether it looks up what a record may lack, `names` which fields it looks up, `denied` for which
    fields it gives the reason of their absence. `goes_with_parent` holds for an element without which the element
    around it would not be there.
    """

    content: Content
    always: bool
    asks: bool
    names: frozenset[str] = frozenset()
    denied: frozenset[str] = frozenset()
    goes_with_parent: bool = False

    @property
    def is_sure(self) -> bool:
        """Return whether it asks and always finds, so that the element around it is there too."""
        return self.asks and self.always


@dataclass(frozen=True, slots=True)
class Setting:
    """What the templates of one record may name: its fields, and which names and references always have a value."""

    fields: Mapping[str, FieldDefinition]
    tables: Mapping[str, CodeTable]
    reference_types: Mapping[str, frozenset[str]]
    always: frozenset[str]
    always_referred: frozenset[str]


@dataclass(frozen=True, slots=True)
class ResourceOutline:
    """What every resource of one template has in common."""

    resource_type: str
    members: Mapping[str, Outline]
    says_absence: bool


class TemplateOutliner:
    """Outlines the templates of one record."""

    def __init__(self, setting: Setting) -> None:
        self._setting = setting
        self._promised = frozenset[str]()

    def outline(self, resource: ResourceNode) -> ResourceOutline:
        """Return the outline of the resources of one template, as they are where its `when` holds."""
        self._promised = resource.when.promised if resource.when is not None else frozenset()
        parts = self._parts(resource.members)
        members = dict(parts.members)
        if resource.stands_on_components:
            members["component"] = _at_least_one(members["component"])
        return ResourceOutline(resource.resource_type, members, parts.says_absence)

    def _outline(self, node: TemplateNode) -> Outline:
        match node:
            case ObjectNode():
                return self._object(node)
            case ListNode():
                return _repeated([self._outline(item) for item in node.items])
            case TextNode():
                return self._text(node)
        return Outline(Fixed(node.value), always=True, asks=False)

    def _object(self, node: ObjectNode) -> Outline:
        parts = _only_for_its_value(self._parts(node.members))
        outlines = list(parts.members.values())
        # So the compiled template renders it: constants alone stand always, else one that asks must be there.
        is_there = parts.says_absence or any(outline.is_sure for outline in outlines)
        fixed = {name: outline.content for name, outline in parts.members.items()}
        content: Content = parts
        if not node.asks and all(isinstance(one, Fixed) and one.concept is None for one in fixed.values()):
            content = Fixed({name: one.value for name, one in fixed.items() if isinstance(one, Fixed)})
        return Outline(
            content,
            always=node.when is None and (is_there or not node.asks),
            asks=node.asks,
            names=_names(outlines),
            denied=_denied(outlines),
        )

    def _parts(self, nodes: Mapping[str, TemplateNode]) -> Parts:
        members = {name: self._outline(node) for name, node in nodes.items()}
        return Parts(members, says_absence=bool(_denied(members.values()) & _names(members.values())))

    def _text(self, node: TextNode) -> Outline:
        placeholders = [[self._looked_up(one) for one in alternatives] for alternatives in node.placeholders]
        always = not node.asks or all(_one_is_there(alternatives) for alternatives in placeholders)
        content = _merged([one.content for one in placeholders[0]]) if node.is_whole else Anything()
        every = [one for alternatives in placeholders for one in alternatives]
        return Outline(
            content,
            always,
            node.asks,
            names=_names(every),
            denied=frozenset() if always else _denied(every),
        )

    def _looked_up(self, lookup: Lookup) -> Outline:
        match lookup:
            case FixedCode(name=name, is_coding=is_coding):
                concept = self._concept(name)
                content: Content = Fixed(concept.coding) if is_coding else Fixed(concept.codeable_concept, concept)
                return Outline(content, always=True, asks=False)
            case ReferenceTo(name=name):
                types = self._setting.reference_types.get(name, frozenset())
                content = Refers(types) if types else Anything()
                return Outline(content, always=name in self._setting.always_referred, asks=True)
            case Absence(name=name):
                return Outline(Anything(), always=False, asks=True, denied=frozenset({name}))
            case FieldValue(name=name, form="concept"):
                table = self._field(name).table
                return self._field_value(Coded(table) if table else Anything(), name)
            case FieldValue(name=name, form="quantity", unit_field=unit_field):
                return self._field_value(Measured((), name) if unit_field else self._measured(name), name)
            case FieldValue(name=name):
                return self._field_value(Anything(), name)

    def _concept(self, name: str) -> Concept:
        table, _, concept = name.partition(".")
        return self._setting.tables[table].concepts[concept]

    def _field(self, name: str) -> FieldDefinition:
        return self._setting.fields[name]

    def _measured(self, name: str) -> Content:
        definition = self._field(name)
        if definition.type == "quantity":
            return Measured(tuple(unit.text() for unit in definition.place.required("units").items()), name)
        return Measured((definition.unit,), name) if definition.unit else Anything()

    def _field_value(self, content: Content, name: str) -> Outline:
        definition = self._setting.fields.get(name)
        is_there = (
            name in self._setting.always
            or name in self._promised
            or (definition is not None and definition.required and not name.startswith("case."))
        )
        return Outline(content, always=is_there, asks=True, names=frozenset({name}))


def _repeated(items: Sequence[Outline]) -> Outline:
    return Outline(
        Several(tuple(items)),
        always=any(item.always for item in items),
        asks=any(item.asks for item in items),
        names=_names(items),
    )


def _at_least_one(outline: Outline) -> Outline:
    """Return the outline of an element that repeats at least once; where it can only once, its item is there."""
    match outline.content:
        case Several((only,)):
            return replace(outline, content=Several((replace(only, always=True),)), always=True)
    return replace(outline, always=True)


def _names(outlines: Iterable[Outline]) -> frozenset[str]:
    return frozenset[str]().union(*(outline.names for outline in outlines))


def _denied(outlines: Iterable[Outline]) -> frozenset[str]:
    return frozenset[str]().union(*(outline.denied for outline in outlines))


def _only_for_its_value(parts: Parts) -> Parts:
    """Mark the one member that asks, where there is only one: the others stand on its account and never alone."""
    asking = [name for name, outline in parts.members.items() if outline.asks]
    if len(asking) != 1:
        return parts
    name = asking[0]
    return replace(parts, members={**parts.members, name: replace(parts.members[name], goes_with_parent=True)})


def _one_is_there(alternatives: list[Outline]) -> bool:
    """Return whether one of `<A or B>` always has a value: by itself, or because `absent A` stands for A."""
    named = _names(alternatives)
    return any(one.always or (one.denied and one.denied <= named) for one in alternatives)


def _merged(contents: list[Content]) -> Content:
    """Return what is known of an element that holds the first of several contents that there is."""
    if len(contents) == 1:
        return contents[0]
    tables = {one.table.name: one for one in contents if isinstance(one, Coded)}
    if len(tables) == 1:
        has_others = any(isinstance(one, Fixed) for one in contents)
        return Coded(next(iter(tables.values())).table, has_others=has_others)
    measured = {one for one in contents if isinstance(one, Measured)}
    if len(measured) == 1 and all(isinstance(one, Measured | Anything) for one in contents):
        return next(iter(measured))
    if all(isinstance(one, Refers) for one in contents):
        return Refers(frozenset[str]().union(*(one.types for one in contents if isinstance(one, Refers))))
    return Anything()


def components_of(outline: ResourceOutline) -> Iterator[tuple[Concept, Outline, Parts]]:
    """Yield each component whose code is fixed: the concept of its code, its outline and its parts."""
    component = outline.members.get("component")
    if component is None or not isinstance(component.content, Several):
        return
    for item in component.content.items:
        if isinstance(item.content, Parts):
            code = item.content.members.get("code")
            if code is not None and isinstance(code.content, Fixed) and code.content.concept is not None:
                yield code.content.concept, item, item.content
