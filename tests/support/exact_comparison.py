"""Compares JSON with every digit: `1.50` and `1.5` are equal as numbers, and two different texts."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from service.exact_json import ExactNumber


def spelled(value: Any) -> Any:
    """Return a value whose fractions are replaced by their spelling, so that == sees every digit."""
    if isinstance(value, ExactNumber):
        return f"number {value.literal}"
    if isinstance(value, dict):
        return {name: spelled(member) for name, member in value.items()}
    if isinstance(value, list):
        return [spelled(item) for item in value]
    return value


def by_reference(resources: Iterable[dict[str, Any]]) -> dict[str, Any]:
    """Return resources by `Type/id`, their fractions spelled out."""
    return {f"{resource['resourceType']}/{resource['id']}": spelled(resource) for resource in resources}


def without_server_meta(resource: dict[str, Any]) -> dict[str, Any]:
    """Return a resource as it was sent: without the version and the time that a server gives it."""
    kept = {name: value for name, value in resource.get("meta", {}).items() if name == "profile"}
    bare = {name: value for name, value in resource.items() if name != "meta"}
    return {**bare, "meta": kept} if kept else bare
