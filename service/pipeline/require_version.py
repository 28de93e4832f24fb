"""Refuses a change that was made to another version than the newest, where the client says which it has read."""

from __future__ import annotations

from service.problems import Code, Problem


def stale_version(expected: int | None, newest: int) -> list[Problem]:
    """Return the problem of a client that `expected` another version; `newest` is 0 where there is none yet.

    A client that expects nothing is never stale. Whether the content is the same again is to be asked before, so
    that a call that is repeated finds what it has done itself.
    """
    if expected is None or expected == newest:
        return []
    message = f"the newest version is {newest}" if newest else "there is no version of it yet"
    return [Problem(Code.STALE_VERSION, "", message, "read the newest version, then send its number")]
