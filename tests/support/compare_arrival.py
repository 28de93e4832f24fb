"""Compares what a FHIR server holds with what the service says of its cases: all of it, once, in the last version."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from typing import Any

from service.exact_json import ExactNumber
from tests.support.fhir_search import UUID_SYSTEM, everything_at, found_by_identifier, our_id_of
from tests.support.delivering_service import Client

Resources = Mapping[str, dict[str, Any]]


def made_by_service(client: Client, cases: Iterable[str]) -> dict[str, dict[str, Any]]:
    """Return the resources of all `cases` as they stand at the service, by our references."""
    return {reference: body for case_id in cases for reference, body in client.fhir(case_id).items()}


def _plain(value: Any, names: Mapping[str, str]) -> Any:
    """Return a value without what a server adds, its numbers by value, its references by the names in `names`."""
    if isinstance(value, dict):
        return {
            name: names.get(member, member) if name == "reference" else _plain(member, names)
            for name, member in value.items()
        }
    if isinstance(value, list):
        return [_plain(item, names) for item in value]
    return float(value) if isinstance(value, ExactNumber) else value


def _content(resource: Mapping[str, Any], names: Mapping[str, str]) -> Any:
    meta = {name: value for name, value in resource.get("meta", {}).items() if name in {"profile", "tag", "security"}}
    rest = {name: value for name, value in resource.items() if name not in {"id", "meta"}}
    return _plain({**rest, **({"meta": meta} if meta else {})}, names)


def assert_arrived_once_under_our_ids(client: Client, server_base: str, cases: Iterable[str]) -> int:
    """Assert that the server holds what the service made, each under our id and nothing beside; return how many."""
    made = made_by_service(client, cases)
    there = everything_at(client.http, server_base)
    assert Counter(f"{body['resourceType']}/{body['id']}" for body in there) == Counter(made.keys())
    for body in there:
        reference = f"{body['resourceType']}/{body['id']}"
        assert _content(body, {}) == _content(made[reference], {}), reference
    assert_no_identifier_twice(there)
    return len(there)


def assert_no_identifier_twice(there: Iterable[Mapping[str, Any]]) -> None:
    """Assert that no two resources carry the same identifier of ours."""
    counted = Counter(
        (body["resourceType"], our_id)
        for body in map(dict, there)
        if (our_id := our_id_of(body)) is not None
    )
    assert {key: count for key, count in counted.items() if count > 1} == {}


def assert_arrived_once_under_its_ids(client: Client, server_base: str, cases: Iterable[str]) -> int:
    """Assert the same where the server chose the ids; Provenance, which cannot be told apart there, is left out."""
    made = made_by_service(client, cases)
    expected = {name: body for name, body in made.items() if body["resourceType"] != "Provenance"}
    there = everything_at(client.http, server_base)
    names: dict[str, str] = {}
    for body in there:
        our_id = our_id_of(body)
        assert our_id is not None, f"{body['resourceType']} without the identifier {UUID_SYSTEM}"
        names[f"{body['resourceType']}/{body['id']}"] = f"{body['resourceType']}/{our_id}"
    assert sorted(names.values()) == sorted(expected)
    for body in there:
        reference = names[f"{body['resourceType']}/{body['id']}"]
        assert body["id"] != reference.partition("/")[2]
        assert _content(body, names) == _content(expected[reference], {}), reference
    return len(there)


def assert_found_by_identifier_once(client: Client, server_base: str, references: Iterable[str]) -> int:
    """Assert that a search by our identifier finds exactly one resource for each reference; return how many."""
    count = 0
    for reference in references:
        resource_type, _, our_id = reference.partition("/")
        if resource_type == "Provenance":
            continue
        found = found_by_identifier(client.http, server_base, resource_type, our_id)
        assert len(found) == 1, (reference, len(found))
        count += 1
    return count
