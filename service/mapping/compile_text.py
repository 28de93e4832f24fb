"""Compiles a text of a template, with the placeholders that stand in it, into a function of the record's values."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from service.mapping.placeholders import (
    FIXED_FORMS,
    PLACEHOLDER,
    Getter,
    Lookup,
    PlaceholderCompiler,
    Values,
    as_text,
)
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

    @property
    def is_fixed(self) -> bool:
        """Return whether it is one code of the tables and nothing else, which is the same for every record."""
        ((first, *_), *more) = self.placeholders
        return not more and first.text.split()[0] in FIXED_FORMS and isinstance(self.get({}), dict)


def compile_text(compiler: PlaceholderCompiler, place: Located) -> CompiledText | None:
    """Return what a text with placeholders compiles to; None for a text that has none."""
    text = place.text()
    parts = PLACEHOLDER.split(text)
    if len(parts) == 1:
        return None
    placeholders = tuple(compiler.compile(part, place) for part in parts[1::2])
    if len(parts) == 3 and not parts[0] and not parts[2]:
        return CompiledText(_first_of(placeholders[0]), placeholders)
    begin = parts[0]
    rest = [(_first_of(alternatives), after) for alternatives, after in zip(placeholders, parts[2::2], strict=True)]

    def get(values: Values) -> Any:
        text = begin
        for getter, after in rest:
            value = getter(values)
            if value is None:
                return None
            text += (value if type(value) is str else as_text(value)) + after
        return text

    return CompiledText(get, placeholders)
