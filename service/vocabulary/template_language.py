"""The template language, read once: templates as nodes that know their file and line.

A template is YAML shaped like its resource. A text in it may hold placeholders:

    <NAME>                        the value of a field, as it was sent; NAME may be a computed name
    <NAME.PART>                   a part of it: an attribute of the concept, or a member of a person or identifier
    <NAME as concept>             a CodeableConcept: the codings of the word, or what the client sent instead
    <NAME as coding>              the first Coding of the word
    <NAME as text>                the word's text, or the number as text
    <NAME as quantity>            a Quantity in the field's own unit
    <NAME as boolean>             of an observed value (type `value`): where it is one; also text, quantity, concept
    <NAME as quantity in OTHER>   a Quantity in the unit that the field OTHER holds
    <code TABLE.CONCEPT>          the CodeableConcept of one fixed concept
    <coding TABLE.CONCEPT>        its first Coding
    <reference ROLE>              a Reference to a resource of the same record or to an anchor of the case
    <absent NAME>                 where NAME has no value: an element with the data-absent-reason extension
    <why-absent NAME>             where NAME has no value: the reason as a CodeableConcept
    <A or B>                      the first of them that has a value

A placeholder inside a longer text gives text: `shock <shock_number>`. Whatever has no value is left out.

Beside the elements of FHIR, a mapping in a template may hold

    $when: CONDITION     the element is left out unless the condition holds
    $like: NAME          the members of that fragment (fragments.yaml) are taken over; own members win

What a name in a template means is not known here: that depends on the record, and the compiler says it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from service.problems import MappingFault, gathered
from service.vocabulary.computed_names import COMPUTED_NAMES
from service.vocabulary.conditions import Condition, read_condition
from service.vocabulary.yaml_tree import Located, Scalar


@dataclass(frozen=True, slots=True)
class FixedCode:
    """`<code TABLE.CONCEPT>`, or with `is_coding` its first Coding alone: the same for every record."""

    text: str
    name: str
    is_coding: bool


@dataclass(frozen=True, slots=True)
class ReferenceTo:
    """`<reference ROLE>`: a resource of the same record, or an anchor."""

    text: str
    name: str


@dataclass(frozen=True, slots=True)
class Absence:
    """`<absent FIELD>`, or with `is_reason` `<why-absent FIELD>`: something only where the field has no value."""

    text: str
    name: str
    is_reason: bool


@dataclass(frozen=True, slots=True)
class FieldValue:
    """`<NAME>`, `<NAME as FORM>` or `<NAME as quantity in UNIT_FIELD>`."""

    text: str
    name: str
    form: str | None = None
    unit_field: str | None = None


Lookup = FixedCode | ReferenceTo | Absence | FieldValue
"""One alternative of a placeholder; `text` is how the template writes it."""


def _read_lookup(text: str, place: Located) -> Lookup:
    """Return what one alternative of a placeholder asks for; WrongMapping where it has none of the forms."""
    match text.split():
        case ["code" | "coding" as form, name]:
            return FixedCode(text, name, is_coding=form == "coding")
        case ["reference", name]:
            return ReferenceTo(text, name)
        case ["absent" | "why-absent" as form, name]:
            return Absence(text, name, is_reason=form == "why-absent")
        case [name, "as", "quantity", "in", unit_field]:
            return FieldValue(text, name, "quantity", unit_field)
        case [name, "as", form]:
            return FieldValue(text, name, form)
        case [name]:
            return FieldValue(text, name)
    place.refuse(f"the placeholder <{text}> has no form that is known; see docs/mapping-language.md")


def _may_find_nothing(lookup: Lookup) -> bool:
    """Return whether a lookup is a sign of a value: a code never is, nor what every record says of itself."""
    match lookup:
        case FixedCode():
            return False
        case FieldValue(name=name, form=None) if name in COMPUTED_NAMES:
            return not COMPUTED_NAMES[name].about_the_record
    return True


@dataclass(frozen=True, slots=True)
class ConstantNode:
    """An element that the template itself says."""

    value: Scalar
    place: Located
    asks: bool = False


@dataclass(frozen=True, slots=True)
class TextNode:
    """A text with placeholders: the pieces around them, and the alternatives of each.

    `asks` says whether a placeholder may find nothing.
    """

    pieces: tuple[str, ...]
    placeholders: tuple[tuple[Lookup, ...], ...]
    place: Located
    asks: bool

    @property
    def is_whole(self) -> bool:
        """Return whether it is one placeholder without text around it, which gives more than text."""
        return self.pieces == ("", "")

    @property
    def lookups(self) -> Iterator[Lookup]:
        """Yield every alternative of every placeholder."""
        for alternatives in self.placeholders:
            yield from alternatives


@dataclass(frozen=True, slots=True)
class ListNode:
    """An element that repeats; `asks` says whether an item does."""

    items: tuple[TemplateNode, ...]
    place: Located
    asks: bool


@dataclass(frozen=True, slots=True)
class ObjectNode:
    """An element with members, those of its fragments among them.

    `when` is the condition without which it is left out. `asks` says whether it has one, or a member asks.
    """

    members: Mapping[str, TemplateNode]
    when: Condition | None
    place: Located
    asks: bool


TemplateNode = ConstantNode | TextNode | ListNode | ObjectNode


@dataclass(frozen=True, slots=True)
class ResourceNode:
    """The template of one resource of a record, with what decides whether it is made.

    `members` are its elements but the type. `fragment` names the fragment that it takes over unchanged, if it is no
    more than that. `stands_on_components` holds for one that is part of another resource of its record and has
    components: where none of them has a value it says nothing, and is not made. `is_dropped` holds for what a
    site's overlay drops.
    """

    role: str
    resource_type: str
    members: Mapping[str, TemplateNode]
    when: Condition | None
    each: str | None
    identity: tuple[TemplateNode, ...] | None
    fragment: str | None
    stands_on_components: bool
    is_dropped: bool
    place: Located

    @property
    def is_always_made(self) -> bool:
        """Return whether every record makes it, whatever it holds."""
        return not self.stands_on_components and (self.when, self.each, self.identity) == (None, None, None)


_PLACEHOLDER = re.compile(r"<([^<>]+)>")
_LISTS = sorted(row.name for row in COMPUTED_NAMES.values() if row.is_list)


def read_text(place: Located) -> ConstantNode | TextNode:
    """Return the text at `place`; WrongMapping where a placeholder in it has no form that is known."""
    pieces = _PLACEHOLDER.split(place.text())
    if len(pieces) == 1:
        return ConstantNode(place.value, place)
    placeholders = tuple(
        tuple(_read_lookup(part.strip(), place) for part in written.split(" or ")) for written in pieces[1::2]
    )
    asks = any(all(_may_find_nothing(one) for one in alternatives) for alternatives in placeholders)
    return TextNode(tuple(pieces[::2]), placeholders, place, asks)


def fixed_code(place: Located) -> str | None:
    """Return the TABLE.CONCEPT of a text that is `<code TABLE.CONCEPT>` and nothing else; None for any other."""
    match read_text(place):
        case TextNode(pieces=("", ""), placeholders=((FixedCode(text=text, name=name, is_coding=False),),)) if (
            text == f"code {name}"
        ):
            return name
    return None


def roles_in(resources: Located) -> frozenset[str]:
    """Return the roles of the templates of one record; WrongMapping where one has none."""
    return frozenset(entry.required("role").text() for entry in resources.items())


class TemplateReader:
    """Reads templates; each fragment is read once, and what is wrong is added to `faults` and left out."""

    def __init__(self, fragments: Mapping[str, Located], faults: list[MappingFault]) -> None:
        self._fragments = fragments
        self._read: dict[str, ObjectNode] = {}
        self._open: list[str] = []
        self._faults = faults

    def resources(self, place: Located) -> list[ResourceNode]:
        """Return the templates of one record, in the order in which they are written."""
        roles = roles_in(place)
        read: list[ResourceNode] = []
        for entry in place.items():
            with gathered(self._faults):
                read.append(self._resource(entry, roles))
        return read

    def _resource(self, entry: Located, roles: frozenset[str]) -> ResourceNode:
        members = entry.only("role", "when", "each", "identity", "resource", "drop")
        place = entry.required("resource")
        body = self.object(place)
        elements = dict(body.members)
        resource_type = elements.pop("resourceType", None)
        if resource_type is None:
            place.refuse("a resource needs its resourceType")
        if body.when is not None:
            self._faults.append(body.when.place.fault("a resource has `when` beside its role, not $when inside"))
        written = place.members()
        return ResourceNode(
            role=entry.required("role").text(),
            resource_type=resource_type.place.text(),
            members=elements,
            when=self._condition(members.get("when")),
            each=_each(members["each"]) if "each" in members else None,
            identity=tuple(self.node(part) for part in members["identity"].items())
            if "identity" in members
            else None,
            fragment=written["$like"].text() if set(written) == {"$like"} else None,
            stands_on_components="component" in elements and _is_part_of_one(elements.get("partOf"), roles),
            is_dropped="drop" in members,
            place=entry,
        )

    def node(self, place: Located) -> TemplateNode:
        """Return the node for the element at `place`; a fault in it is noted, and the rest is still read."""
        with gathered(self._faults):
            if isinstance(place.value, dict):
                return self.object(place)
            if isinstance(place.value, list):
                items = tuple(self.node(item) for item in place.items())
                return ListNode(items, place, any(item.asks for item in items))
            if isinstance(place.value, str):
                return read_text(place)
            if place.value is None:
                place.refuse("an element without a value is left out of a template")
        return ConstantNode(place.value, place)

    def object(self, place: Located) -> ObjectNode:
        """Return the mapping at `place` with the members of the fragment that `$like` names, which it overrules.

        Raises WrongMapping where there is no such fragment.
        """
        written = dict(place.members())
        like = written.pop("$like", None)
        taken = self._fragment(like) if like is not None else None
        when = self._condition(written.pop("$when", None)) or (taken.when if taken is not None else None)
        own: dict[str, TemplateNode] = {}
        for name, member in written.items():
            if name.startswith("$"):
                self._faults.append(member.fault(f"{name!r} is not known; known are: $when, $like"))
            else:
                own[name] = self.node(member)
        members = {**taken.members, **own} if taken is not None else own
        return ObjectNode(members, when, place, when is not None or any(one.asks for one in members.values()))

    def _condition(self, place: Located | None) -> Condition | None:
        if place is not None:
            with gathered(self._faults):
                return read_condition(place)
        return None

    def _fragment(self, like: Located) -> ObjectNode:
        name = like.text()
        if name not in self._read:
            fragment = self._fragments.get(name)
            if fragment is None:
                like.refuse(f"there is no fragment {name!r} in fragments.yaml")
            if name in self._open:
                like.refuse(f"the fragment {name!r} is like itself")
            self._open.append(name)
            try:
                self._read[name] = self.object(fragment)
            finally:
                self._open.pop()
        return self._read[name]


def _each(place: Located) -> str:
    if place.text() not in _LISTS:
        place.refuse(f"a template repeats over one of: {', '.join(_LISTS)}")
    return place.text()


def _is_part_of_one(part_of: TemplateNode | None, roles: frozenset[str]) -> bool:
    """Return whether `partOf` names a resource that the same record makes."""
    wholes = part_of.items if isinstance(part_of, ListNode) else (part_of,)
    lookups = [lookup for whole in wholes if isinstance(whole, TextNode) for lookup in whole.lookups]
    return any(isinstance(lookup, ReferenceTo) and lookup.name in roles for lookup in lookups)
