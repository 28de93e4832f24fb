"""The literal references by which our resources name each other: `Type/id`."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any


def references_in(value: Any) -> Iterator[str]:
    """Yield every literal reference `Type/id` that stands anywhere in a resource."""
    if isinstance(value, dict):
        for name, member in value.items():
            if name == "reference" and isinstance(member, str):
                yield member
            elif isinstance(member, dict | list):
                yield from references_in(member)
    elif isinstance(value, list):
        for item in value:
            if isinstance(item, dict | list):
                yield from references_in(item)
