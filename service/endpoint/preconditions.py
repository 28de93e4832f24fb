"""What a request says must be so before it is carried out, and how it wants to be answered."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from service.endpoint.outcomes import refuse
from service.endpoint.stored_versions import Current

_ETAG = re.compile(r'(?:W/)?"([^"]*)"')


@dataclass(frozen=True, slots=True)
class Preconditions:
    """The version that must be the present one (`if_match`), and whether there must be none at all."""

    if_match: str | None = None
    must_be_new: bool = False


@dataclass(frozen=True, slots=True)
class Preference:
    """The header Prefer: what comes back after a write, and whether unknown parameters are refused."""

    answer: str | None
    strict: bool


def read_preconditions(if_match: str | None, if_none_match: str | None) -> Preconditions:
    """Return the preconditions of a write; RefusalError (400) where a tag cannot be read."""
    if if_none_match is not None and if_none_match != "*":
        raise refuse(400, "value", "A write takes If-None-Match only as *: there must be no such resource yet.")
    return Preconditions(
        if_match=None if if_match is None else read_etag(if_match), must_be_new=if_none_match == "*"
    )


def read_etag(text: str) -> str:
    """Return the version inside an entity tag such as `W/"3"`; RefusalError (400) where it is none."""
    match = _ETAG.fullmatch(text.strip())
    if match is None:
        raise refuse(400, "value", 'A version is named by an entity tag such as W/"3".')
    return match[1]


def refuse_unless_met(preconditions: Preconditions, current: Current | None) -> None:
    """Raise RefusalError (412) where the present state is not the one that the request was written for."""
    present = current is not None and not current.deleted
    if preconditions.must_be_new and present:
        raise refuse(412, "conflict", "The resource exists already, and the request asked that it be new.")
    if preconditions.if_match is None:
        return
    if current is None or not present:
        raise refuse(412, "conflict", "If-Match names a version of a resource that does not exist.")
    if preconditions.if_match != str(current.version):
        raise refuse(412, "conflict", f"If-Match does not name the present version, which is {current.version}.")


def read_preference(headers: Mapping[str, str]) -> Preference:
    """Return what the header Prefer asks for; what it does not know is ignored, as RFC 7240 wants."""
    wishes = dict(
        part.strip().partition("=")[::2] for part in re.split(r"[,;]", headers.get("prefer", "")) if part.strip()
    )
    answer = wishes.get("return")
    return Preference(
        answer=answer if answer in {"minimal", "representation", "OperationOutcome"} else None,
        strict=wishes.get("handling") == "strict",
    )
