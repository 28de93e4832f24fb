"""Traces what a server's OperationOutcome speaks of back to fields of the record and lines of the mapping data."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

from service.making.stages import Stages
from service.reading.explain_case import explain_fhir
from service.storage.statements import Transaction

_MOST_CASES = 20
"""Explaining a case makes all of its resources again, so a page traces so many cases and no more."""

_INDEX = re.compile(r"\[\d+\]")

Elements = Sequence[Mapping[str, Any]]


def trace_concerns(tx: Transaction, stages: Stages, deliveries: Sequence[dict[str, Any]]) -> None:
    """Add to each concern of held deliveries the fields that the element was made from, and the mapping's lines.

    `fields` and `lines` are empty where the mapping in force makes no such resource; they are absent for records of
    devices, and beyond the first twenty cases of a page.
    """
    explained: dict[str, dict[str, Elements]] = {}
    for delivery in deliveries:
        case_id = delivery["case_id"]
        if not delivery["concerns"] or case_id is None:
            continue
        if case_id not in explained:
            if len(explained) == _MOST_CASES:
                continue
            explained[case_id] = _elements_of(tx, stages, case_id)
        for concern in delivery["concerns"]:
            elements = _meant(explained[case_id].get(concern["resource"], ()), concern["path"])
            concern["fields"] = list(dict.fromkeys(name for element in elements for name in element["fields"]))
            concern["lines"] = list(dict.fromkeys(element["line"] for element in elements))


def _elements_of(tx: Transaction, stages: Stages, case_id: str) -> dict[str, Elements]:
    explanation = explain_fhir(tx, stages, case_id)["explanation"]
    return {one["resource"]: one["elements"] for one in explanation}


def _meant(elements: Elements, path: str) -> list[Mapping[str, Any]]:
    """Return the element at a path and those within it; where there are none, the nearest one that holds it."""
    if "." not in path:
        return []  # The type alone says nothing of an element.
    for spelling in (str, _without_indexes):
        wanted = spelling(path)
        within = [one for one in elements if _is_within(spelling(one["path"]), wanted)]
        if within:
            return within
        around = [one for one in elements if _is_within(wanted, spelling(one["path"]))]
        if around:
            return [max(around, key=lambda one: len(one["path"]))]
    return []


def _without_indexes(path: str) -> str:
    return _INDEX.sub("", path)


def _is_within(path: str, outer: str) -> bool:
    return path == outer or path.startswith((f"{outer}.", f"{outer}["))
