"""Units of measure: those that the mapping data name, and any other that UCUM's grammar allows."""

from __future__ import annotations

import importlib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import Any

from service.vocabulary.yaml_tree import Located

UCUM = "http://unitsofmeasure.org"


@cache
def _grammar() -> tuple[Any, type[Exception]]:
    """Return the UCUM parser of a library and what it raises; loaded at the first unit that our own list lacks.

    Its import takes half a second, and a service that only ever sees listed units never pays it.
    """
    return importlib.import_module("ucumvert").get_ucum_parser(), importlib.import_module("lark").LarkError


@lru_cache(maxsize=1024)
def is_ucum(code: str) -> bool:
    """Return whether `code` is a UCUM code in the case-sensitive form (Source: UCUM, by its grammar)."""
    if not code or len(code) > 40 or not code.isascii() or " " in code:
        return False
    parser, refusal = _grammar()
    try:
        parser.parse(code)
    except refusal:
        return False
    return True


@dataclass(frozen=True, slots=True)
class Units:
    """The units that mapping data use: code to the text shown, and hints for what is often written instead."""

    displays: Mapping[str, str]
    often_written: Mapping[str, str]

    def display(self, code: str) -> str:
        """Return the text shown for a unit; the code itself for a unit beyond the list."""
        return self.displays.get(code, code)

    def is_unit(self, code: str) -> bool:
        """Return whether `code` is a UCUM code."""
        return code in self.displays or is_ucum(code)

    def hint(self, code: str) -> str:
        """Return what would have been right instead of `code`, in words."""
        meant = self.often_written.get(code)
        return f"the UCUM code {meant!r}" if meant else "a UCUM code, such as 'mg', 'ug', 'mL', 'mm[Hg]' or '/min'"


def read_units(document: Located) -> Units:
    """Return the units in `document`; WrongMapping where it has another shape."""
    members = document.only("units", "often_written")
    return Units(
        displays={code: text.text() for code, text in members["units"].members().items()},
        often_written={text: code.text() for text, code in members["often_written"].members().items()},
    )
