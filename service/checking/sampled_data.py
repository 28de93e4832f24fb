"""Judges the samples of a SampledData, which R4 defines in words only.

Source: FHIR R4 (4.0.1), datatypes.html, SampledData: decimal values separated by a single space (u20), or one
of E (error), L (below the detection limit), U (above it).
"""

from __future__ import annotations

import re
from typing import Any

from service.checking.table import REGULAR_EXPRESSIONS
from service.checking.walk import Path, Walk

_POINT = f"(?:{REGULAR_EXPRESSIONS['decimal']}|[ELU])"
_POINTS = re.compile(f"{_POINT}(?: {_POINT})*", re.ASCII).fullmatch
_LIMITS = (("L", "lowerLimit"), ("U", "upperLimit"))


def check_sampled_data(sampled: dict[str, Any], path: Path, walk: Walk) -> None:
    """Add what is wrong with the samples of a SampledData of sound structure."""
    data = sampled.get("data")
    if data is None:
        return
    if not _POINTS(data):
        walk.report(
            "sampled-data", (path, "data", None), "Samples must be decimals, E, U or L, with one space between."
        )
        return
    for mark, limit in _LIMITS:
        if mark in data and limit not in sampled and "_" + limit not in sampled:
            walk.report(
                "sampled-data", path, f"Samples with {mark} need {limit}, or they say little.", severity="warning"
            )
    if (data.count(" ") + 1) % sampled.get("dimensions", 1):
        walk.report(
            "sampled-data", path, "The samples do not divide evenly into the dimensions.", severity="warning"
        )
