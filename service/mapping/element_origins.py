"""Where the elements of a resource come from: fields of the record, placeholder, line of the mapping or table."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from service.mapping.compile_text import CompiledText
from service.mapping.placeholders import Lookup, Values
from service.vocabulary.yaml_tree import Located


@dataclass(frozen=True, slots=True)
class Origin:
    """Where a value comes from: the fields of the record, and the words of the template that look them up."""

    fields: tuple[str, ...]
    sources: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ElementOrigin:
    """The origin of one element.

    `path` is a FHIRPath location, `when` holds the fields on whose values it hangs that it is there at all.
    """

    path: str
    origin: Origin
    place: Located
    when: tuple[str, ...] = ()


def _found(text: CompiledText, values: Values) -> list[Lookup]:
    """Return, for each placeholder, the alternative that finds something in `values`."""
    return [
        lookup
        for alternatives in text.placeholders
        for lookup in [next((one for one in alternatives if one.get(values) is not None), None)]
        if lookup is not None
    ]


def origin_of(text: CompiledText, values: Values) -> Origin:
    """Return the origin of a text with placeholders, of which only the alternatives found are named."""
    found = _found(text, values)
    named = [
        name for lookup in found for name in (*lookup.fields, *(one for one in lookup.behind if one in values))
    ]
    return Origin(tuple(dict.fromkeys(named)), tuple(lookup.text for lookup in found))


def looked_up_elements(text: CompiledText, values: Values, path: str, place: Located) -> Iterator[ElementOrigin]:
    """Yield the element that a text gives and, where it is coded, each coding with its line of the code table."""
    origin = origin_of(text, values)
    yield ElementOrigin(path, origin, place)
    found = _found(text, values)
    finder = found[0].concept if len(found) == 1 else None
    named = finder(values) if finder is not None else None
    if named is None:
        return
    name, concept = named
    from_table = Origin(origin.fields, (f"code {name}",))
    value = text.get(values)
    if "text" in value:
        for index, coding in enumerate(concept.codings):
            yield ElementOrigin(f"{path}.coding[{index}]", from_table, coding.place)
        yield ElementOrigin(f"{path}.text", from_table, concept.place)
    else:
        yield ElementOrigin(f"{path}.code", from_table, concept.codings[0].place)
