"""The one way in which resources change: steps that are carried out together, or not at all."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Literal

from service.endpoint.index_resource import index_resource
from service.endpoint.outcomes import Issue, RefusalError, refuse
from service.endpoint.preconditions import Preconditions, refuse_unless_met
from service.endpoint.read_query import Query, read_condition
from service.endpoint.references import (
    ReferencePlace,
    conditional_query,
    is_elsewhere,
    local_target,
    places_of_references,
    replace_links,
)
from service.endpoint.search import find_ids
from service.endpoint.stored_versions import (
    StoredVersion,
    content_hash,
    delete_version,
    exists,
    find_current,
    find_referrer,
    find_version,
    put_version,
    reserve,
)

Method = Literal["DELETE", "POST", "PUT"]
_ORDER: dict[str, int] = {"DELETE": 0, "POST": 1, "PUT": 2}


@dataclass(slots=True)
class Step:
    """One write. `resource_id` is the id it has unless `condition` finds another; `resource` is None for DELETE.

    `names` are the links by which other entries of its Bundle point at it. `unsettled` holds the links whose
    target is known only when conditions are decided, each with the link as the client wrote it; meanwhile a
    stand-in of the right form is in its place. `place` is where the step stands in its Bundle, None for a
    request of its own.
    """

    method: Method
    resource_type: str
    resource_id: str
    resource: dict[str, Any] | None = None
    condition: Query | None = None
    preconditions: Preconditions = field(default_factory=Preconditions)
    names: tuple[str, ...] = ()
    place: str | None = None
    unsettled: list[tuple[ReferencePlace, str]] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Done:
    """What became of a step: the HTTP status, and the version that stands now, None where nothing does."""

    status: int
    version: StoredVersion | None


def carry_out(connection: sqlite3.Connection, steps: Sequence[Step], *, now: datetime, base: str) -> list[Done]:
    """Return what became of each step, in the order given.

    The work is done in the order of R4: deletions, creations, updates, then conditional references; last it is
    made sure that every literal reference of what was written points at something, and that nothing points at
    what was deleted.

    Raises RefusalError; the caller's transaction must then be rolled back.
    Source: FHIR R4, http, section 3.1.0.11.2 (transaction processing rules).
    """
    return _Changes(connection, now, base).carry_out(steps)


class _Changes:
    """One set of steps under way."""

    def __init__(self, connection: sqlite3.Connection, now: datetime, base: str) -> None:
        self._connection = connection
        self._now = now
        self._base = base
        self._touched: set[str] = set()
        self._identities: dict[str, str] = {}

    def carry_out(self, steps: Sequence[Step]) -> list[Done]:
        """Return what became of each step; see the function of this name."""
        done: dict[int, Done] = {}
        later: list[tuple[int, Step, int]] = []
        for number, step in sorted(enumerate(steps), key=lambda item: _ORDER[item[1].method]):
            with _Within(step):
                status = self._decide(step)
                if status is None:
                    done[number] = self._present(step)
                elif step.unsettled and step.resource is not None:
                    later.append((number, step, status))
                    rows = index_resource(step.resource, self._base)
                    reserve(self._connection, step.resource_type, step.resource_id, rows)
                else:
                    done[number] = self._write(step, status)
        self._settle([step for _, step, _ in later])
        for number, step, status in later:
            done[number] = self._write(step, status)
        written = [
            step for number, step in enumerate(steps) if done[number].status in {201, 204} or step.method != "POST"
        ]
        self._refuse_loose_ends(written)
        return [done[number] for number in range(len(steps))]

    def _decide(self, step: Step) -> int | None:
        """Settle which resource a step is about; return its status to be, or None where it need not be written."""
        matches = [] if step.condition is None else find_ids(self._connection, step.condition, 2)
        if len(matches) > 1:
            raise refuse(412, "multiple-matches", "More than one resource fits the condition.")
        if matches and step.method == "POST":
            self._settle_identity(step, matches[0])
            return None
        if step.condition is not None and step.method == "PUT":
            self._aim_conditional_update(step, matches)
        target = self._settle_identity(step, step.resource_id)
        if target in self._touched:
            raise refuse(400, "duplicate", f"{target} is written twice in one Bundle.")
        self._touched.add(target)
        current = find_current(self._connection, step.resource_type, step.resource_id)
        refuse_unless_met(step.preconditions, current)
        if step.method == "DELETE":
            return 204
        if step.method == "POST" and current is not None:
            raise RuntimeError("a fresh id is not fresh")
        return 201 if current is None or current.deleted else 200

    def _aim_conditional_update(self, step: Step, matches: list[str]) -> None:
        own_id = None if step.resource is None else step.resource.get("id")
        if matches and own_id not in {None, matches[0]}:
            raise refuse(
                400,
                "invalid",
                "The id in the body is not that of the resource that fits.",
                expression=f"{step.resource_type}.id",
            )
        if matches:
            step.resource_id = matches[0]
        elif own_id is not None and exists(self._connection, f"{step.resource_type}/{own_id}"):
            raise refuse(
                400,
                "invalid",
                "A resource with the body's id exists, but does not fit.",
                expression=f"{step.resource_type}.id",
            )

    def _settle_identity(self, step: Step, resource_id: str) -> str:
        step.resource_id = resource_id
        target = f"{step.resource_type}/{resource_id}"
        self._identities |= dict.fromkeys(step.names, target)
        return target

    def _present(self, step: Step) -> Done:
        return Done(200, find_version(self._connection, step.resource_type, step.resource_id))

    def _write(self, step: Step, status: int) -> Done:
        """Write a step whose identity and links are settled; equal content makes no new version."""
        if step.resource is None:
            return Done(204, delete_version(self._connection, step.resource_type, step.resource_id, self._now))
        resource = {**step.resource, "id": step.resource_id}
        current = find_current(self._connection, step.resource_type, step.resource_id)
        if status == 200 and current is not None and current.content_hash == content_hash(resource):
            return self._present(step)
        version = put_version(self._connection, resource, method=step.method, now=self._now, base=self._base)
        return Done(status, version)

    def _settle(self, steps: Sequence[Step]) -> None:
        """Put the final identities into the links that waited for them."""
        for step in steps:
            with _Within(step):
                identities = dict(self._identities)
                for place, original in step.unsettled:
                    place.holder[place.name] = original
                    if place.name == "reference" and original not in identities:
                        identities[original] = self._resolve(original, place.path)
                if step.resource is not None:
                    replace_links(step.resource, identities)

    def _resolve(self, reference: str, path: str) -> str:
        parts = conditional_query(reference)
        if parts is None:
            raise refuse(400, "not-found", "The reference cannot be resolved in the Bundle.", expression=path)
        matches = find_ids(self._connection, read_condition(parts[0], parts[1], self._base), 2)
        if len(matches) != 1:
            found = "More than one resource fits" if matches else "No resource fits"
            raise refuse(
                412, "multiple-matches" if matches else "not-found", f"{found} the reference.", expression=path
            )
        return f"{parts[0]}/{matches[0]}"

    def _refuse_loose_ends(self, written: Sequence[Step]) -> None:
        """Raise RefusalError (409 for a deletion, else 422) with every reference that points at nothing."""
        for step in written:
            target = f"{step.resource_type}/{step.resource_id}"
            if step.method == "DELETE" and (referrer := find_referrer(self._connection, target)):
                with _Within(step):
                    raise refuse(409, "conflict", f"{target} cannot be deleted: {referrer} refers to it.")
        issues: list[Issue] = []
        known: dict[str, bool] = {}
        for step in written:
            for place in places_of_references(step.resource or {}):
                if self._is_loose(place.value, known):
                    refusal = refuse(422, "not-found", _loose_end(place.value), expression=place.path)
                    issues += (refusal if step.place is None else refusal.within(step.place)).issues
        if issues:
            raise RefusalError(422, issues)

    def _is_loose(self, reference: str, known: dict[str, bool]) -> bool:
        target = local_target(reference, self._base)
        if target is None:
            return not is_elsewhere(reference)
        if target not in known:
            known[target] = exists(self._connection, target)
        return not known[target]


class _Within:
    """Says in a refusal where in the Bundle the step stands."""

    def __init__(self, step: Step) -> None:
        self._place = step.place

    def __enter__(self) -> None:
        return None

    def __exit__(self, _kind: object, error: BaseException | None, _trace: object) -> None:
        if isinstance(error, RefusalError) and self._place is not None:
            raise error.within(self._place) from error


def _loose_end(reference: str) -> str:
    if "?" in reference:
        return "A conditional reference is resolved only in a transaction."
    if reference.startswith("urn:"):
        return "The reference points at no entry of the Bundle."
    return "The reference points at a resource that this endpoint does not have."
