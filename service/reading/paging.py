"""Cuts a page out of what was read, and says where the next one begins."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, TypeVar

T = TypeVar("T")


def page_body(
    name: str,
    read: Sequence[T],
    most: int,
    show: Callable[[T], Sequence[dict[str, Any]]],
    key: Callable[[T], str | int],
) -> dict[str, Any]:
    """Return a page of up to `most` of what was `read`, which holds one more where there is a next page.

    Shape: `name` holds what is shown of each, and `next` the key after which the next page begins, if there is one.
    """
    body: dict[str, Any] = {name: [shown for one in read[:most] for shown in show(one)]}
    if len(read) > most:
        body["next"] = key(read[most - 1])
    return body
