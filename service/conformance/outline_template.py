"""Reads out of a resource template what every resource made from it has in common; profiles are written from it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from service.mapping.placeholders import PLACEHOLDER, can_be_absent
from service.vocabulary.code_tables import CodeTable, Concept
from service.vocabulary.fields import FieldDefinition
from service.vocabulary.yaml_tree import Located


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
    fragments: Mapping[str, Located]
    reference_types: Mapping[str, frozenset[str]]
    always: frozenset[str]
    always_referred: frozenset[str]


@dataclass(frozen=True, slots=True)
class ResourceOutline:
    """What every resource of one template has in common."""

    resource_type: str
    members: Mapping[str, Outline]
    says_absence: bool


@dataclass(slots=True)
class _Condition:
    """Which fields a `when` promises: all of `present`; at least one of `any_of`, where that is not empty."""

    present: set[str] = field(default_factory=set)
    any_of: set[str] = field(default_factory=set)


def _promises(place: Located | None) -> _Condition:
    promised = _Condition()
    if place is None:
        return promised
    members = place.members()
    if "present" in members:
        promised.present.add(members["present"].text())
    if "field" in members and ("is" in members or "in" in members):
        promised.present.add(members["field"].text())
    for part in members["all"].items() if "all" in members else ():
        promised.present |= _promises(part).present
    if "any" in members:
        parts = [part.members() for part in members["any"].items()]
        if all(set(part) == {"present"} for part in parts):
            promised.any_of = {part["present"].text() for part in parts}
    return promised


class TemplateReader:
    """Reads the outlines of the templates of one record."""

    def __init__(self, setting: Setting) -> None:
        self._setting = setting
        self._promised = _Condition()

    def read(self, resource: Located, when: Located | None) -> ResourceOutline:
        """Return the outline of the resource template at `resource`, which is made where `when` holds."""
        self._promised = _promises(when)
        members = self._with_fragment(resource)
        resource_type = members.pop("resourceType").text()
        parts = self._parts(members)
        return ResourceOutline(resource_type, parts.members, parts.says_absence)

    def _with_fragment(self, place: Located) -> dict[str, Located]:
        members = dict(place.members())
        like = members.pop("$like", None)
        return members if like is None else {**self._with_fragment(self._setting.fragments[like.text()]), **members}

    def _outline(self, place: Located) -> Outline:
        if isinstance(place.value, dict):
            return self._object(place)
        if isinstance(place.value, list):
            return self._array([self._outline(item) for item in place.items()])
        if isinstance(place.value, str):
            return self._text(place.value)
        return Outline(Fixed(place.value), always=True, asks=False)

    def _object(self, place: Located) -> Outline:
        members = self._with_fragment(place)
        is_conditional = members.pop("$when", None) is not None
        parts = _only_for_its_value(self._parts(members))
        outlines = list(parts.members.values())
        asks = is_conditional or any(outline.asks for outline in outlines)
        # So the compiled template renders it: constants alone stand always, else one that asks must be there.
        is_there = parts.says_absence or any(outline.is_sure for outline in outlines)
        fixed = {name: outline.content for name, outline in parts.members.items()}
        content: Content = parts
        if not asks and all(isinstance(one, Fixed) and one.concept is None for one in fixed.values()):
            content = Fixed({name: one.value for name, one in fixed.items() if isinstance(one, Fixed)})
        return Outline(
            content,
            always=not is_conditional and (is_there or not asks),
            asks=asks,
            names=_names(outlines),
            denied=_denied(outlines),
        )

    def _parts(self, places: Mapping[str, Located]) -> Parts:
        members = {name: self._outline(place) for name, place in places.items()}
        return Parts(members, says_absence=bool(_denied(members.values()) & _names(members.values())))

    def _array(self, items: list[Outline]) -> Outline:
        names = _names(items)
        one_is_there = bool(self._promised.any_of) and self._promised.any_of <= names
        return Outline(
            Several(tuple(items)),
            always=one_is_there or any(item.always for item in items),
            asks=any(item.asks for item in items),
            names=names,
        )

    def _text(self, text: str) -> Outline:
        parts = PLACEHOLDER.split(text)
        if len(parts) == 1:
            return Outline(Fixed(text), always=True, asks=False)
        alternatives = [[self._alternative(one.strip()) for one in inner.split(" or ")] for inner in parts[1::2]]
        asks = can_be_absent(text)
        always = not asks or all(_one_is_there(alternative) for alternative in alternatives)
        is_whole = len(parts) == 3 and not parts[0] and not parts[2]
        content = _merged([one.content for one in alternatives[0]]) if is_whole else Anything()
        every = [one for alternative in alternatives for one in alternative]
        return Outline(
            content,
            always,
            asks,
            names=_names(every),
            denied=frozenset() if always else _denied(every),
        )

    def _alternative(self, text: str) -> Outline:
        match text.split():
            case ["code", name]:
                concept = self._concept(name)
                return Outline(Fixed(concept.codeable_concept, concept), always=True, asks=False)
            case ["coding", name]:
                return Outline(Fixed(self._concept(name).coding), always=True, asks=False)
            case ["reference", name]:
                types = self._setting.reference_types.get(name, frozenset())
                content: Content = Refers(types) if types else Anything()
                return Outline(content, always=name in self._setting.always_referred, asks=True)
            case ["absent" | "why-absent", name]:
                return Outline(Anything(), always=False, asks=True, denied=frozenset({name}))
            case [name, "as", "concept"]:
                table = self._field(name).table
                return self._looked(Coded(table) if table else Anything(), name)
            case [name, "as", "quantity"]:
                return self._looked(self._measured(name), name)
            case [name, "as", "quantity", "in", _]:
                return self._looked(Measured((), name), name)
            case [name, *_]:
                return self._looked(Anything(), name)
        return Outline(Anything(), always=False, asks=True)

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

    def _looked(self, content: Content, name: str) -> Outline:
        definition = self._setting.fields.get(name)
        is_there = (
            name in self._setting.always
            or name in self._promised.present
            or (definition is not None and definition.required and not name.startswith("case."))
        )
        return Outline(content, always=is_there, asks=True, names=frozenset({name}))


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
