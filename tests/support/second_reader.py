"""Hands values to the second reader as delivery hands it resources: the type, and the bytes."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from service.checking.read_with_models import read_with_models
from service.exact_json import write_json
from service.records.finding import Finding


def second_reading(value: Any) -> list[Finding]:
    """Return what the second reader finds in the bytes of a value, which is a resource where it says its type."""
    kind = value.get("resourceType") if isinstance(value, Mapping) else None
    try:
        body = write_json(value)
    except (TypeError, ValueError):
        # What JSON cannot carry is never sent.
        return [Finding("model", "Resource", "No bytes can be made of it.")]
    return read_with_models(kind if isinstance(kind, str) else "", body)
