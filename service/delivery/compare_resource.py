"""Compares a resource as it was sent with how the server holds it now."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

_THE_SERVERS_OWN = frozenset({"id", "text", "meta"})
"""What a server may choose, make or add to; of `meta` it must keep what was sent."""
_KEPT_META = ("profile", "security", "tag")
_MOST_DIFFERENCES = 20


def differences(sent: Mapping[str, Any], found: Mapping[str, Any], base: str) -> list[str]:
    """Return the paths at which the server holds something else than what was sent; none where it keeps it.

    Left aside are the id, the narrative and what the server adds to `meta`. Numbers are compared by value, since
    servers are known to drop trailing zeros; references without the server's `base` and without a version.
    """
    paths = list(_different_meta(sent.get("meta"), found.get("meta")))
    rest = [{name: one[name] for name in one if name not in _THE_SERVERS_OWN} for one in (sent, found)]
    paths += _different(rest[0], rest[1], "", base.rstrip("/") + "/")
    return paths[:_MOST_DIFFERENCES]


def _different_meta(sent: object, found: object) -> Iterator[str]:
    ours = sent if isinstance(sent, dict) else {}
    theirs = found if isinstance(found, dict) else {}
    for name in _KEPT_META:
        held = theirs.get(name)
        kept = held if isinstance(held, list) else []
        for place, item in enumerate(ours.get(name, [])):
            if not any(_holds(item, other) for other in kept):
                yield f"meta.{name}[{place}]"


def _holds(sent: Any, found: Any) -> bool:
    """Return whether a coding or a profile is the same; a display may be added or corrected."""
    if isinstance(sent, dict) and isinstance(found, dict):
        return all(found.get(name) == sent.get(name) for name in ("system", "code"))
    return bool(sent == found)


def _different(sent: Any, found: Any, path: str, base: str) -> Iterator[str]:
    if isinstance(sent, dict) and isinstance(found, dict):
        for name in {**sent, **found}:
            below = f"{path}.{name}" if path else name
            if name not in sent or name not in found:
                yield below
            elif name == "reference" and isinstance(sent[name], str):
                if _plain_reference(sent[name], base) != _plain_reference(str(found[name]), base):
                    yield below
            else:
                yield from _different(sent[name], found[name], below, base)
    elif isinstance(sent, list) and isinstance(found, list):
        if len(sent) != len(found):
            yield path
            return
        for place, (one, other) in enumerate(zip(sent, found, strict=True)):
            yield from _different(one, other, f"{path}[{place}]", base)
    elif isinstance(sent, bool) or isinstance(found, bool):
        if sent is not found:
            yield path
    elif sent != found:
        yield path


def _plain_reference(reference: str, base: str) -> str:
    return reference.removeprefix(base).partition("/_history/")[0]
