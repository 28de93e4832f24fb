"""Compiles a text of a template, with the placeholders that stand in it, into a function of the record's values."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from service.mapping.placeholders import Finder, Getter, Values, as_text
from service.vocabulary.template_language import TextNode


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


def compile_text(node: TextNode, placeholders: Sequence[Sequence[Finder]]) -> Getter:
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
