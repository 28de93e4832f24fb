"""The endpoint's search parameters against R4's own: the names, the kinds, and the places of their values."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

import pytest

from service.endpoint.search_parameters import _BY_TYPE, SearchParameter, parameters_of
from tests.interop.test_r4_table_agrees_with_official_definitions import read_bundle

pytestmark = pytest.mark.node


def _official(resource_type: str, definition: Mapping[str, Any]) -> tuple[set[str], bool]:
    """Return the elements of an official expression that are of the type, and whether it keeps to patients."""
    alternatives = [part.strip(" ()") for part in str(definition["expression"]).split("|")]
    ours = [part for part in alternatives if part.startswith(f"{resource_type}.")]
    is_patient = all("resolve() is Patient" in part for part in ours)
    # `value as Period`, `value.as(Period)` and `subject.where(…)` are about the element before.
    paths = {re.split(r" as |\.as\(|\.where\(", part)[0].partition(".")[2] for part in ours}
    return paths, is_patient


def _is_at(path: str, official: str) -> bool:
    """Return whether `path` is the element, or one type of an element that has several: effectivePeriod."""
    return path == official or (path.startswith(official) and path[len(official)].isupper())


def _problems(resource_type: str, ours: SearchParameter, definitions: list[dict[str, Any]]) -> list[str]:
    found = [each for each in definitions if each["code"] == ours.name and resource_type in each["base"]]
    if len(found) != 1 or found[0]["type"] != ours.kind:
        return [f"{resource_type}.{ours.name}: {len(found)} in R4, or of another kind"]
    official, is_patient = _official(resource_type, found[0])
    if (ours.name == "patient") != (ours.target == "Patient") or (is_patient and ours.target != "Patient"):
        return [f"{resource_type}.{ours.name}: leads to another type"]
    strays = [path for path in ours.paths if not any(_is_at(path, one) for one in official)]
    missed = [one for one in official if not any(_is_at(path, one) for path in ours.paths)]
    return [f"{resource_type}.{ours.name}: {path}" for path in strays + missed]


def test_every_parameter_is_one_of_r4_with_its_kind_and_its_places() -> None:
    definitions = [each for each in read_bundle("search-parameters.json") if "expression" in each]
    problems = [
        problem
        for resource_type in [*_BY_TYPE, "Patient"]
        for ours in parameters_of(resource_type).values()
        for problem in _problems(resource_type, ours, definitions)
    ]
    assert problems == []
