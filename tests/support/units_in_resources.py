"""Finds every UCUM code that a resource holds, wherever it stands."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

from service.vocabulary.units import UCUM


def _quantities(node: Any) -> Iterator[str]:
    if isinstance(node, dict):
        if node.get("system") == UCUM and "code" in node:
            yield node["code"]
        for member in node.values():
            yield from _quantities(member)
    elif isinstance(node, list):
        for item in node:
            yield from _quantities(item)


def units_in(resources: Iterable[dict[str, Any]]) -> set[str]:
    """Return all UCUM codes of quantities and codings in the resources."""
    return {code for resource in resources for code in _quantities(resource)}
