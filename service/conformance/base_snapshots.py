"""Reads the official R4 (4.0.1) snapshots that profiles build on; the file is made by make_base_snapshots.py."""

from __future__ import annotations

import copy
import json
from functools import cache
from pathlib import Path
from typing import Any


@cache
def _file() -> dict[str, Any]:
    """Return what the file holds; it is read at the first package, since a running service never needs it."""
    raw: dict[str, Any] = json.loads(Path(__file__).with_name("base_snapshots.json").read_text(encoding="utf-8"))
    return raw


def has_base_snapshot(resource_type: str) -> bool:
    """Return whether the snapshot of a type is there, so that a profile of it can be written."""
    return resource_type in _file()["snapshots"]


def base_snapshot(resource_type: str) -> list[dict[str, Any]]:
    """Return the elements of a type as R4 defines them, its root first; a copy that the caller may change."""
    constraints = _file()["constraints"]
    elements: list[dict[str, Any]] = copy.deepcopy(_file()["snapshots"][resource_type])
    for element in elements:
        if "constraint" in element:
            element["constraint"] = [dict(constraints[name]) for name in element["constraint"]]
    return elements
