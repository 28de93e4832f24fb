"""Where the elements of a resource come from: fields of the record, placeholder, line of the mapping or table."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from service.mapping.compile_template import Array, Constant, Element, Looked, Object, leaves_of
from service.mapping.placeholders import Finder, Values
from service.vocabulary.yaml_tree import Located


@dataclass(frozen=True, slots=True)
class Origin:
    """Where a value comes from: the fields of the record, and the words of the template that look them up."""

    fields: tuple[str, ...]
    sources: tuple[str, ...]


CONSTANT = Origin((), ("constant",))


@dataclass(frozen=True, slots=True)
class ElementOrigin:
    """The origin of one element.

    `path` is a FHIRPath location, `when` holds the fields on whose values it hangs that it is there at all.
    """

    path: str
    origin: Origin
    place: Located
    when: tuple[str, ...] = ()


def origin_of(element: Element, values: Values) -> Origin:
    """Return where an element's own value comes from; one with members has none of its own.

    Of the alternatives of a placeholder only the one that was found is named.
    """
    if isinstance(element, Constant):
        return CONSTANT
    if not isinstance(element, Looked):
        return Origin((), ())
    found = _found(element, values)
    named = [
        name for finder in found for name in (*finder.fields, *(one for one in finder.behind if one in values))
    ]
    return Origin(tuple(dict.fromkeys(named)), tuple(finder.text for finder in found))


def fields_named_in(element: Element) -> Iterator[str]:
    """Yield the fields that the placeholders in an element name."""
    for leaf in leaves_of(element):
        if isinstance(leaf, Looked):
            yield from (
                name for alternatives in leaf.placeholders for finder in alternatives for name in finder.fields
            )


def explain_element(element: Element, values: Values, path: str) -> Iterator[ElementOrigin]:
    """Yield the origin of every element that `element` renders, in its order."""
    match element:
        case Looked():
            yield from _looked_up(element, values, path)
        case Array():
            yield from _items(element.items, values, path)
        case Object():
            yield from _members(element, values, path)
        case Constant(parts=Mapping() as members) if members:
            for name, member in members.items():
                yield from explain_element(member, values, f"{path}.{name}")
        case Constant(parts=Sequence() as items) if items:
            yield from _items(items, values, path)
        case Constant(place=place):
            yield ElementOrigin(path, CONSTANT, place)


def _members(element: Object, values: Values, path: str) -> Iterator[ElementOrigin]:
    """Yield the origins of the members that have a value; they hang on the fields of `$when` too."""
    if element.render(values) is None:
        return
    asked = tuple(sorted(element.when.names)) if element.when is not None else ()
    for name, member in element.members.items():
        if member.render(values) is not None:
            for one in explain_element(member, values, f"{path}.{name}"):
                yield replace(one, when=(*asked, *one.when)) if asked else one


def _items(elements: Sequence[Element], values: Values, path: str) -> Iterator[ElementOrigin]:
    """Yield the origins of a list's items by the places that they have in it."""
    index = 0
    for element in elements:
        value = element.render(values)
        if isinstance(value, list):
            for _ in value:
                yield ElementOrigin(f"{path}[{index}]", origin_of(element, values), element.place)
                index += 1
        elif value is not None:
            yield from explain_element(element, values, f"{path}[{index}]")
            index += 1


def _found(element: Looked, values: Values) -> list[Finder]:
    """Return, for each placeholder, the alternative that finds something in `values`."""
    return [
        finder
        for alternatives in element.placeholders
        for finder in [next((one for one in alternatives if one.get(values) is not None), None)]
        if finder is not None
    ]


def _looked_up(element: Looked, values: Values, path: str) -> Iterator[ElementOrigin]:
    """Yield the element that a text gives and, where it is coded, each coding with its line of the code table."""
    origin = origin_of(element, values)
    yield ElementOrigin(path, origin, element.place)
    found = _found(element, values)
    finder = found[0].concept if len(found) == 1 else None
    named = finder(values) if finder is not None else None
    if named is None:
        return
    name, concept = named
    from_table = Origin(origin.fields, (f"code {name}",))
    if "text" in element.render(values):
        for index, coding in enumerate(concept.codings):
            yield ElementOrigin(f"{path}.coding[{index}]", from_table, coding.place)
        yield ElementOrigin(f"{path}.text", from_table, concept.place)
    else:
        yield ElementOrigin(f"{path}.code", from_table, concept.codings[0].place)
