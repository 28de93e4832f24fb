"""A transaction Bundle, read into steps and checked before the store is touched."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from service.clock import MakeId
from service.endpoint.outcomes import Issue, RefusalError, issues_of, refuse
from service.endpoint.read_query import read_condition
from service.endpoint.read_resource import Check, refuse_unknown_type, refuse_wrong_id, refuse_wrong_type
from service.endpoint.references import with_references
from service.endpoint.write_steps import Step


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What the entries of a Bundle are read with: the endpoint's base URL, its check, its ids, its types."""

    base: str
    check: Check
    make_id: MakeId
    served: frozenset[str]


def prepare_transaction(bundle: Mapping[str, Any], surroundings: Surroundings) -> list[Step]:
    """Return what each entry of a transaction asks for, references between entries resolved, resources checked.

    A reference to an entry with a condition leads to the identity that it has where nothing fits the condition.
    Raises RefusalError with the problems of all entries, each at its place in the Bundle.
    """
    entries = _entries_of(bundle)
    steps = _read_entries(entries, surroundings)
    identities = {
        entry["fullUrl"]: step.target for entry, step in zip(entries, steps, strict=True) if "fullUrl" in entry
    }
    steps = [replace(step, resource=with_references(step.resource, identities)) for step in steps]
    _refuse_equal_conditions(steps)
    _refuse_all_findings(steps, surroundings.check)
    return steps


def _entries_of(bundle: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    if bundle.get("resourceType") != "Bundle" or bundle.get("type") != "transaction":
        raise refuse(
            400, "not-supported", "The base takes a Bundle of the type transaction.", expression="Bundle.type"
        )
    entries = bundle.get("entry", [])
    if not isinstance(entries, list) or not all(isinstance(entry, Mapping) for entry in entries):
        raise refuse(400, "structure", "entry must be a list of objects.", expression="Bundle.entry")
    full_urls = [entry["fullUrl"] for entry in entries if "fullUrl" in entry]
    if not all(isinstance(url, str) for url in full_urls):
        raise refuse(400, "value", "fullUrl must be text.", expression="Bundle.entry.fullUrl")
    if len(set(full_urls)) != len(full_urls):
        raise refuse(400, "duplicate", "Two entries have the same fullUrl.", expression="Bundle.entry.fullUrl")
    return entries


def _read_entries(entries: Sequence[Mapping[str, Any]], surroundings: Surroundings) -> list[Step]:
    """Return all entries read, or raise one RefusalError with the issues of all that cannot be."""
    steps: list[Step] = []
    refusals: list[RefusalError] = []
    for number, entry in enumerate(entries):
        place = f"Bundle.entry[{number}]"
        try:
            steps.append(_read_entry(entry, place, surroundings))
        except RefusalError as refusal:
            refusals.append(refusal.within(place))
    if refusals:
        raise RefusalError(refusals[0].status, [issue for refusal in refusals for issue in refusal.issues])
    return steps


def _read_entry(entry: Mapping[str, Any], place: str, surroundings: Surroundings) -> Step:
    request, resource = entry.get("request"), entry.get("resource")
    if not isinstance(request, Mapping):
        raise refuse(400, "required", "The entry has no request.")
    method, url, if_none_exist = request.get("method"), request.get("url"), request.get("ifNoneExist", "")
    if not isinstance(method, str) or not isinstance(url, str) or not isinstance(if_none_exist, str):
        raise refuse(400, "required", "The request needs a method and a url, and all that it says is text.")
    if method not in ("POST", "PUT"):
        raise refuse(400, "not-supported", "The entries of a transaction are POST and PUT only.")
    if "ifMatch" in request or "ifNoneMatch" in request:
        raise refuse(400, "not-supported", "ifMatch and ifNoneMatch are not supported.")
    address = url.removeprefix(f"{surroundings.base}/").removeprefix("/")
    refuse_unknown_type(re.split(r"[/?]", address)[0], surroundings.served)
    if not isinstance(resource, dict):
        raise refuse(400, "required", "The entry has no resource.")
    path, mark, query = address.partition("?")
    resource_type, slash, url_id = path.partition("/")
    refuse_wrong_type(resource, resource_type)
    if method == "POST":
        if mark or slash:
            raise refuse(400, "not-supported", "A creation takes the url Type.")
        return create_step(resource, request.get("ifNoneExist"), surroundings.base, surroundings.make_id, place)
    if mark and slash:
        raise refuse(400, "not-supported", "An update takes the url Type/id or Type?condition.")
    if mark:
        return conditional_update_step(resource, query, surroundings.base, surroundings.make_id, place)
    refuse_wrong_id(resource, url_id)
    return Step("PUT", resource_type, url_id, resource, place=place)


def create_step(
    resource: dict[str, Any], if_none_exist: str | None, base: str, make_id: MakeId, place: str | None = None
) -> Step:
    """Return the creation of `resource` under a fresh id; RefusalError (400) where its condition cannot be read."""
    resource_type = resource["resourceType"]
    condition = None if if_none_exist is None else read_condition(resource_type, if_none_exist, base)
    rest = {name: value for name, value in resource.items() if name != "id"}
    return Step("POST", resource_type, make_id(), rest, condition, place)


def conditional_update_step(
    resource: dict[str, Any], query: str, base: str, make_id: MakeId, place: str | None = None
) -> Step:
    """Return the update of what `query` describes; where nothing fits, the id is the body's own, else a fresh one.

    Raises RefusalError (400) where the condition or the id cannot be read.
    """
    resource_type, own_id = resource["resourceType"], resource.get("id")
    condition = read_condition(resource_type, query, base)
    if own_id is None:
        return Step("PUT", resource_type, make_id(), resource, condition, place)
    if not isinstance(own_id, str):
        raise refuse(400, "value", "An id is a string.", expression=f"{resource_type}.id")
    refuse_wrong_id(resource, own_id)
    return Step("PUT", resource_type, own_id, resource, condition, place)


def _refuse_equal_conditions(steps: Sequence[Step]) -> None:
    """Raise RefusalError (400) where two entries have one condition: both would find nothing and create."""
    seen = set()
    for step in steps:
        if step.condition is None:
            continue
        if step.condition in seen and step.place is not None:
            raise refuse(400, "duplicate", "Two entries have the same condition.").within(step.place)
        seen.add(step.condition)


def _refuse_all_findings(steps: Sequence[Step], check: Check) -> None:
    """Raise RefusalError (422) with the findings of all resources where any of them is an error."""
    issues: list[Issue] = []
    for step in steps:
        if step.place is not None:
            findings = check({**step.resource, "id": step.resource_id})
            issues += RefusalError(422, issues_of(findings)).within(step.place).issues
    if any(issue.severity == "error" for issue in issues):
        raise RefusalError(422, issues)
