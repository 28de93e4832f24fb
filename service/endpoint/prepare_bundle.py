"""A transaction or batch Bundle, read into steps and reads before the store is touched."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from service.clock import MakeId
from service.endpoint.outcomes import Issue, RefusalError, issues_of, refuse
from service.endpoint.preconditions import read_preconditions
from service.endpoint.read_query import Query, read_condition
from service.endpoint.read_resource import Check, refuse_unknown_type, refuse_wrong_id, refuse_wrong_type
from service.endpoint.references import (
    LOGICAL_ID,
    ReferencePlace,
    conditional_query,
    places_of_links,
    replace_links,
)
from service.endpoint.write_steps import Step

_METHODS = frozenset({"GET", "HEAD", "POST", "PUT", "DELETE"})
_REST_ADDRESS = re.compile(r"https?://.+/(([A-Za-z]+)/[A-Za-z0-9\-.]{1,64})")


@dataclass(frozen=True, slots=True)
class ReadEntry:
    """A GET or HEAD of a Bundle: its address below the base, and its place."""

    method: str
    address: str
    place: str


Entry = Step | ReadEntry


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What the entries of a Bundle are read with: the endpoint's base URL, its check, its ids, its types."""

    base: str
    check: Check
    make_id: MakeId
    served: frozenset[str]


def refuse_broken_bundle(bundle: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """Return the entries of a transaction or batch; RefusalError (400) where they cannot be read as such."""
    if bundle.get("resourceType") != "Bundle" or bundle.get("type") not in {"transaction", "batch"}:
        raise refuse(
            400, "invalid", "The base takes a Bundle of the type transaction or batch.", expression="Bundle.type"
        )
    entries = bundle.get("entry", [])
    if not isinstance(entries, list) or not all(isinstance(entry, Mapping) for entry in entries):
        raise refuse(400, "structure", "entry must be a list of objects.", expression="Bundle.entry")
    full_urls = [entry["fullUrl"] for entry in entries if "fullUrl" in entry]
    if len({str(url) for url in full_urls}) != len(full_urls):
        raise refuse(400, "duplicate", "Two entries have the same fullUrl.", expression="Bundle.entry.fullUrl")
    return entries


def prepare_entries(entries: Sequence[Mapping[str, Any]], surroundings: Surroundings) -> list[Entry]:
    """Return what each entry of a transaction asks for, links between entries resolved, every resource checked.

    A link whose target only a condition can decide is left for the write; a stand-in of the right form is checked.
    Raises RefusalError with the problems of all entries, each at its place in the Bundle.
    """
    prepared = _gather(entries, lambda entry, place: _read_entry(entry, place, surroundings))
    steps = [entry for entry in prepared if isinstance(entry, Step)]
    certain = {name: _target(step) for step in steps if step.condition is None for name in step.names}
    uncertain = {name: _target(step) for step in steps if step.condition is not None for name in step.names}
    for step in steps:
        if step.resource is not None:
            replace_links(step.resource, certain)
            step.unsettled = _unsettled_links(step.resource, uncertain)
            _put_stand_ins(step, uncertain)
    _refuse_all_findings(steps, surroundings.check)
    return prepared


def prepare_batch_entry(entry: Mapping[str, Any], place: str, surroundings: Surroundings) -> Entry:
    """Return what one entry of a batch asks for, on its own; RefusalError where it cannot be carried out."""
    try:
        prepared = _read_entry(entry, place, surroundings)
    except RefusalError as refusal:
        raise refusal.within(place) from refusal
    if isinstance(prepared, Step):
        _refuse_all_findings([prepared], surroundings.check)
    return prepared


def _gather(entries: Sequence[Mapping[str, Any]], read: Callable[[Mapping[str, Any], str], Entry]) -> list[Entry]:
    """Return all entries read, or raise one RefusalError with the issues of all that cannot be."""
    prepared: list[Entry] = []
    refusals: list[RefusalError] = []
    for number, entry in enumerate(entries):
        place = f"Bundle.entry[{number}]"
        try:
            prepared.append(read(entry, place))
        except RefusalError as refusal:
            refusals.append(refusal.within(place))
    if refusals:
        raise RefusalError(refusals[0].status, [issue for refusal in refusals for issue in refusal.issues])
    return prepared


def _read_entry(entry: Mapping[str, Any], place: str, surroundings: Surroundings) -> Entry:
    request = entry.get("request")
    if not isinstance(request, Mapping):
        raise refuse(400, "required", "The entry has no request.")
    for name in ("ifMatch", "ifNoneMatch", "ifNoneExist"):
        if not isinstance(request.get(name, ""), str):
            raise refuse(400, "value", f"{name} must be text.")
    method, url = request.get("method"), request.get("url")
    if not isinstance(method, str) or not isinstance(url, str):
        raise refuse(400, "required", "The request needs a method and a url.")
    if method not in _METHODS:
        raise refuse(400, "not-supported", "The request's method is not supported here.")
    address = url.removeprefix(f"{surroundings.base}/").removeprefix("/")
    refuse_unknown_type(re.split(r"[/?]", address)[0], surroundings.served)
    if method in {"GET", "HEAD"}:
        return ReadEntry(method, address, place)
    return _read_write(entry, address, place, surroundings)


def _read_write(entry: Mapping[str, Any], address: str, place: str, surroundings: Surroundings) -> Step:
    request = entry["request"]
    path, mark, query = address.partition("?")
    resource_type, slash, url_id = path.partition("/")
    preconditions = read_preconditions(request.get("ifMatch"), _only_for_put(request))
    method = request["method"]
    if method == "DELETE":
        if mark or not LOGICAL_ID.fullmatch(url_id):
            raise refuse(
                400, "not-supported", "A deletion takes the url Type/id; conditional ones are not supported."
            )
        return Step("DELETE", resource_type, url_id, preconditions=preconditions, place=place)
    resource = entry.get("resource")
    if not isinstance(resource, dict):
        raise refuse(400, "required", "The entry has no resource.")
    refuse_wrong_type(resource, resource_type)
    step = Step(method, resource_type, url_id, resource, preconditions=preconditions, place=place)
    step.names = _names_of(entry, method)
    if method == "POST":
        if mark or slash:
            raise refuse(400, "not-supported", "A creation takes the url Type.")
        step.resource_id = surroundings.make_id()
        step.condition = _if_none_exist(request, resource_type, surroundings.base)
        resource.pop("id", None)
    elif mark and not slash:
        step.condition = read_condition(resource_type, query, surroundings.base)
        step.resource_id = own_or_fresh_id(resource, surroundings.make_id)
    else:
        refuse_wrong_id(resource, url_id)
    return step


def own_or_fresh_id(resource: Mapping[str, Any], make_id: MakeId) -> str:
    """Return the id that a conditional update gives its resource where none fits: its own, else a fresh one."""
    own_id = resource.get("id")
    if own_id is None:
        return make_id()
    if not isinstance(own_id, str):
        raise refuse(400, "value", "An id is a string.", expression=f"{resource['resourceType']}.id")
    refuse_wrong_id(resource, own_id)
    return own_id


def _only_for_put(request: Mapping[str, Any]) -> str | None:
    tag: str | None = request.get("ifNoneMatch")
    return tag if request["method"] == "PUT" else None


def _if_none_exist(request: Mapping[str, Any], resource_type: str, base: str) -> Query | None:
    condition = request.get("ifNoneExist")
    if condition is None:
        return None
    return read_condition(resource_type, condition, base)


def _names_of(entry: Mapping[str, Any], method: str) -> tuple[str, ...]:
    """Return the links that mean this entry: its fullUrl, and what a relative reference beside it would say."""
    full_url = entry.get("fullUrl")
    if not isinstance(full_url, str):
        return ()
    match = _REST_ADDRESS.fullmatch(full_url)
    if match and method == "POST":
        return full_url, match[1]
    return (full_url,)


def _target(step: Step) -> str:
    return f"{step.resource_type}/{step.resource_id}"


def _unsettled_links(resource: dict[str, Any], uncertain: Mapping[str, str]) -> list[tuple[ReferencePlace, str]]:
    return [
        (place, place.value)
        for place in places_of_links(resource)
        if place.value in uncertain
        or (place.name == "reference" and conditional_query(place.value))
        or (place.name == "div" and any(name in place.value for name in uncertain))
    ]


def _put_stand_ins(step: Step, uncertain: Mapping[str, str]) -> None:
    """Make the unsettled links look as they will, so that the check sees what will be stored."""
    for place, original in step.unsettled:
        query = conditional_query(original) if place.name == "reference" else None
        if query is not None and original not in uncertain:
            place.holder["reference"] = f"{query[0]}/{step.resource_id}"
    if step.resource is not None and step.unsettled:
        replace_links(step.resource, uncertain)


def _refuse_all_findings(steps: Sequence[Step], check: Check) -> None:
    """Raise RefusalError (422) with the findings of all resources where any of them is an error."""
    issues: list[Issue] = []
    for step in steps:
        if step.resource is not None and step.place is not None:
            findings = check({**step.resource, "id": step.resource_id})
            issues += RefusalError(422, issues_of(findings)).within(step.place).issues
    if any(issue.severity == "error" for issue in issues):
        raise RefusalError(422, issues)
