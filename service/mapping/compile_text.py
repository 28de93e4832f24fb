"""Compiles a text of a template, with the placeholders that stand in it, into a function of the record's values."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from service.mapping.placeholders import PLACEHOLDER, Getter, Lookup, PlaceholderCompiler, Values, as_text
from service.vocabulary.yaml_tree import Located


def _first_of(lookups: Sequence[Lookup]) -> Getter:
    """Return the getter of the first alternative that finds something."""
    if len(lookups) == 1:
        return lookups[0].get
    getters = [lookup.get for lookup in lookups]

    def first(values: Values) -> Any:
        for getter in getters:
            value = getter(values)
            if value is not None:
                return value
        return None

    return first


@dataclass(frozen=True, slots=True)
class CompiledText:
    """A text with placeholders: its getter, and for explanations the alternatives of each placeholder."""

    get: Getter
    placeholders: tuple[tuple[Lookup, ...], ...]


def compile_text(compiler: PlaceholderCompiler, place: Located) -> CompiledText | None:
    """Return what a text with placeholders compiles to; None for a text that has none."""
    text = place.text()
    parts = PLACEHOLDER.split(text)
    if len(parts) == 1:
        return None
    placeholders = tuple(compiler.compile(part, place) for part in parts[1::2])
    if len(parts) == 3 and not parts[0] and not parts[2]:
        return CompiledText(_first_of(placeholders[0]), placeholders)
    getters = [_first_of(alternatives) for alternatives in placeholders]
    fixed = parts[0::2]

    def get(values: Values) -> Any:
        found = [getter(values) for getter in getters]
        if any(value is None for value in found):
            return None
        return fixed[0] + "".join(as_text(value) + after for value, after in zip(found, fixed[1:], strict=True))

    return CompiledText(get, placeholders)
