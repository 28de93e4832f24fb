"""The one way in which resources change: steps that are carried out together, or not at all."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal

from service.endpoint.outcomes import Issue, RefusalError, refuse
from service.endpoint.read_query import Query
from service.endpoint.references import is_elsewhere, local_target, places_of_references, with_references
from service.endpoint.search import find_ids
from service.endpoint.stored_versions import (
    Current,
    StoredVersion,
    delete_version,
    exists,
    find_current,
    find_referrer,
    find_version,
    put_version,
    resource_digest,
)


@dataclass(frozen=True, slots=True)
class Step:
    """One write. `resource_id` is the id that the resource has unless `condition` finds another.

    `place` says where in its Bundle the step is; it is None for a request of its own.
    """

    method: Literal["POST", "PUT"]
    resource_type: str
    resource_id: str
    resource: dict[str, Any]
    condition: Query | None = None
    place: str | None = None

    @property
    def target(self) -> str:
        """Return the reference that leads to the resource unless the condition finds another."""
        return f"{self.resource_type}/{self.resource_id}"


@dataclass(frozen=True, slots=True)
class Done:
    """What became of a step: the HTTP status, and the version that is there now, None where there is none."""

    status: int
    version: StoredVersion | None


@dataclass(frozen=True, slots=True)
class _Decided:
    """A step and the resource that it is about; `is_found` where a creation found what it would have created."""

    step: Step
    resource_id: str
    current: Current | None
    is_found: bool = False

    @property
    def target(self) -> str:
        return f"{self.step.resource_type}/{self.resource_id}"


def carry_out(connection: sqlite3.Connection, steps: Sequence[Step], *, now: datetime, base: str) -> list[Done]:
    """Return what became of each step, in the order given.

    Every condition looks at what was there before the first step. Then references follow those entries of which a
    condition found another resource, all is written, and last it is made sure that every literal reference of what
    was written points at something.

    Raises RefusalError; the caller's transaction must then be rolled back.
    Source: FHIR R4, http, section 3.1.0.11.2 (transaction processing rules).
    """
    decided = _decide_all(connection, steps)
    moved = {each.step.target: each.target for each in decided if each.target != each.step.target}
    resources = [{**with_references(each.step.resource, moved), "id": each.resource_id} for each in decided]
    done = [
        _write(connection, each, resource, now, base) for each, resource in zip(decided, resources, strict=True)
    ]
    written = [(each.step, body) for each, body in zip(decided, resources, strict=True) if not each.is_found]
    _refuse_loose_ends(connection, written, base)
    return done


def delete(connection: sqlite3.Connection, resource_type: str, resource_id: str, now: datetime) -> Done:
    """Mark a resource as deleted; its versions stay readable. RefusalError (409) where something refers to it."""
    target = f"{resource_type}/{resource_id}"
    if referrer := find_referrer(connection, target):
        raise refuse(409, "conflict", f"{target} cannot be deleted: {referrer} refers to it.")
    return Done(204, delete_version(connection, resource_type, resource_id, now))


def _decide_all(connection: sqlite3.Connection, steps: Sequence[Step]) -> list[_Decided]:
    decided: list[_Decided] = []
    written: set[str] = set()
    for step in steps:
        with _place_of(step):
            one = _decide(connection, step)
            if not one.is_found:
                if one.target in written:
                    raise refuse(400, "duplicate", f"{one.target} is written twice in one Bundle.")
                written.add(one.target)
            decided.append(one)
    return decided


def _decide(connection: sqlite3.Connection, step: Step) -> _Decided:
    matches = [] if step.condition is None else find_ids(connection, step.condition, 2)
    if len(matches) > 1:
        raise refuse(412, "multiple-matches", "More than one resource fits the condition.")
    resource_id = matches[0] if matches else step.resource_id
    current = find_current(connection, step.resource_type, resource_id)
    if step.condition is not None and step.method == "PUT":
        _refuse_another_id(step, matches, current)
    if step.method == "POST" and not matches and current is not None:
        raise RuntimeError("a fresh id is not fresh")
    return _Decided(step, resource_id, current, is_found=step.method == "POST" and bool(matches))


def _refuse_another_id(step: Step, matches: Sequence[str], current: Current | None) -> None:
    own_id, expression = step.resource.get("id"), f"{step.resource_type}.id"
    if matches and own_id not in {None, matches[0]}:
        raise refuse(
            400, "invalid", "The id in the body is not that of the resource that fits.", expression=expression
        )
    if not matches and own_id is not None and current is not None and not current.deleted:
        raise refuse(
            400, "invalid", "A resource with the body's id exists, but does not fit.", expression=expression
        )


def _write(
    connection: sqlite3.Connection, decided: _Decided, resource: dict[str, Any], now: datetime, base: str
) -> Done:
    """Write a step whose identity and references are settled; equal content makes no new version."""
    step, current = decided.step, decided.current
    is_there = current is not None and not current.deleted
    if decided.is_found or (current is not None and is_there and current.content_hash == resource_digest(resource)):
        return Done(200, find_version(connection, step.resource_type, decided.resource_id))
    version = put_version(connection, current, resource, method=step.method, now=now, base=base)
    return Done(200 if is_there else 201, version)


def _refuse_loose_ends(
    connection: sqlite3.Connection, written: Sequence[tuple[Step, dict[str, Any]]], base: str
) -> None:
    """Raise RefusalError (422) with every reference of what was written that points at nothing."""
    issues: list[Issue] = []
    known: dict[str, bool] = {}
    for step, resource in written:
        for place in places_of_references(resource):
            target = local_target(place.value, base)
            if target is not None and target not in known:
                known[target] = exists(connection, target)
            if not (is_elsewhere(place.value) if target is None else known[target]):
                refusal = refuse(422, "not-found", _loose_end(place.value), expression=place.path)
                issues += (refusal if step.place is None else refusal.within(step.place)).issues
    if issues:
        raise RefusalError(422, issues)


@contextmanager
def _place_of(step: Step) -> Iterator[None]:
    """Have a refusal say where in the Bundle the step is."""
    try:
        yield
    except RefusalError as refusal:
        raise refusal if step.place is None else refusal.within(step.place) from refusal


def _loose_end(reference: str) -> str:
    if "?" in reference:
        return "Conditional references are not supported."
    if reference.startswith("urn:"):
        return "The reference points at no entry of the Bundle."
    return "The reference points at a resource that this endpoint does not have."
