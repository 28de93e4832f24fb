"""Compares what a FHIR server holds with what the service made: all of it, once, in the last version."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from typing import Any

import httpx

from tests.support.delivering_service import Client
from tests.support.fhir_search import UUID_SYSTEM, everything_at, our_id_of

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
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else value


def plain_content(resource: Mapping[str, Any], names: Mapping[str, str]) -> Any:
    """Return what a resource says: without its id and a server's additions, references by the names in `names`."""
    meta = {
        name: value for name, value in resource.get("meta", {}).items() if name in {"profile", "tag", "security"}
    }
    rest = {name: value for name, value in resource.items() if name not in {"id", "meta"}}
    return _plain({**rest, **({"meta": meta} if meta else {})}, names)


def assert_arrived_once_under_our_ids(client: Client, server_base: str, cases: Iterable[str]) -> int:
    """Assert that the server holds what the service made, each under our id and nothing beside; return how many."""
    return assert_holds_exactly(client.http, server_base, made_by_service(client, cases))


def assert_holds_exactly(http: httpx.Client, server_base: str, made: Resources) -> int:
    """Assert that the server holds the resources `made`, by our references, and no other; return how many."""
    there = everything_at(http, server_base)
    assert Counter(f"{body['resourceType']}/{body['id']}" for body in there) == Counter(made.keys())
    for body in there:
        reference = f"{body['resourceType']}/{body['id']}"
        assert plain_content(body, {}) == plain_content(made[reference], {}), reference
    assert_no_identifier_twice(there)
    return len(there)


def assert_no_identifier_twice(there: Iterable[Mapping[str, Any]]) -> None:
    """Assert that no two resources carry the same identifier of ours."""
    counted = Counter(
        (body["resourceType"], our_id) for body in map(dict, there) if (our_id := our_id_of(body)) is not None
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
        assert plain_content(body, names) == plain_content(expected[reference], {}), reference
    return len(there)
