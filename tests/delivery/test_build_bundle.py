"""The same resources always become the same bytes of a Bundle, by each strategy."""

from __future__ import annotations

from typing import Any
from urllib.parse import unquote

import pytest

from service.delivery.build_bundle import Outgoing, build_bundle, resource_id_of, sendable
from service.exact_json import read_json, write_json
from service.settings import Strategy

BASE = "https://server.example/fhir"


def patient(our_id: str = "p-1") -> Outgoing:
    return Outgoing("Patient", our_id, write_json({"resourceType": "Patient", "id": our_id, "active": True}))


# The spelling is not ours: what has once been made is not spelled anew on its way.
SPELLED = (
    b'{"resourceType":"Observation", "id":"o-1","subject":{"reference":"Patient/p-1"},'
    b'"encounter":{"reference":"Encounter/e-1"},"valueQuantity":{"value":187.50,"unit":"J"},'
    b'"hasMember":[{"reference":"Observation/elsewhere"}]}'
)
OBSERVATION = Outgoing("Observation", "o-1", SPELLED)
PROVENANCE = Outgoing("Provenance", "v-1", b'{"resourceType":"Provenance","id":"v-1"}')
CONDITIONAL = [Strategy.CONDITIONAL_UPDATE, Strategy.CONDITIONAL_CREATE]


def entries(body: bytes) -> list[dict[str, Any]]:
    bundle = read_json(body)
    assert (bundle["resourceType"], bundle["type"]) == ("Bundle", "transaction")
    listed: list[dict[str, Any]] = bundle["entry"]
    return listed


@pytest.mark.parametrize("strategy", [Strategy.CLIENT_IDS, *CONDITIONAL])
def test_the_same_resources_always_give_the_same_bytes(strategy: Strategy) -> None:
    first, second = (build_bundle([patient(), OBSERVATION], strategy, BASE, {"Encounter/e-1": "77"}) for _ in "12")
    assert first == second
    assert build_bundle([OBSERVATION, patient()], strategy, BASE, {"Encounter/e-1": "77"}) != first


def test_with_ids_of_ours_the_bytes_of_a_resource_go_out_untouched() -> None:
    body = build_bundle([patient(), OBSERVATION], Strategy.CLIENT_IDS, BASE + "/", {"Patient/p-1": "77"})
    assert SPELLED in body
    assert patient().body in body
    assert [(entry["fullUrl"], entry["request"]) for entry in entries(body)] == [
        (f"{BASE}/Patient/p-1", {"method": "PUT", "url": "Patient/p-1"}),
        (f"{BASE}/Observation/o-1", {"method": "PUT", "url": "Observation/o-1"}),
    ]


def test_by_condition_the_identifier_decides_and_our_id_stays_at_home() -> None:
    update, create = (
        entries(build_bundle([patient()], strategy, BASE, {}))[0]
        for strategy in (Strategy.CONDITIONAL_UPDATE, Strategy.CONDITIONAL_CREATE)
    )
    condition = "identifier=urn:ietf:rfc:3986|urn:uuid:p-1"
    assert update["request"]["method"] == "PUT"
    assert unquote(update["request"]["url"]) == f"Patient?{condition}"
    assert (create["request"]["method"], create["request"]["url"]) == ("POST", "Patient")
    assert unquote(create["request"]["ifNoneExist"]) == condition
    # The separators inside the value are escaped, or a server could read two parameters or two values.
    for text in (update["request"]["url"], create["request"]["ifNoneExist"]):
        assert "|" not in text
        assert text.count(":") == 0
    for entry in (update, create):
        assert "id" not in entry["resource"]


@pytest.mark.parametrize("strategy", CONDITIONAL)
def test_by_condition_the_full_url_is_a_uuid_that_stands_in_no_identifier(strategy: Strategy) -> None:
    # A server by others puts the id that it gives in the place of the fullUrl wherever that stands.
    our_id = "2f6f3c1e-8a5d-5a0e-9a51-0d3c1a2b4c5d"
    (entry,) = entries(build_bundle([patient(our_id)], strategy, BASE, {}))
    assert entry["fullUrl"] == "urn:uuid:2f6f3c1e-8a5d-8a0e-9a51-0d3c1a2b4c5d"
    assert resource_id_of(entry["fullUrl"]) == our_id
    # Bundles that were kept before this was so are still read.
    assert resource_id_of(f"urn:uuid:{our_id}") == our_id
    assert resource_id_of(f"{BASE}/Patient/{our_id}") == our_id


@pytest.mark.parametrize("strategy", CONDITIONAL)
def test_by_condition_what_the_server_has_named_is_updated_under_its_name(strategy: Strategy) -> None:
    (entry,) = entries(build_bundle([patient()], strategy, BASE, {"Patient/p-1": "77"}))
    assert entry["request"] == {"method": "PUT", "url": "Patient/77"}
    assert entry["resource"]["id"] == "77"


@pytest.mark.parametrize("strategy", CONDITIONAL)
def test_by_condition_references_lead_to_where_the_server_has_what_they_mean(strategy: Strategy) -> None:
    body = build_bundle([patient(), OBSERVATION], strategy, BASE, {"Encounter/e-1": "77"})
    resource = entries(body)[1]["resource"]
    # In the Bundle: by fullUrl; at the server: by its id; neither: as it was.
    assert resource["subject"] == {"reference": entries(body)[0]["fullUrl"]}
    assert resource["encounter"] == {"reference": "Encounter/77"}
    assert resource["hasMember"] == [{"reference": "Observation/elsewhere"}]
    assert b'"value":187.50' in body
    later = entries(build_bundle([OBSERVATION], strategy, BASE, {"Patient/p-1": "5"}))[0]["resource"]
    assert later["subject"] == {"reference": "Patient/5"}


@pytest.mark.parametrize("strategy", CONDITIONAL)
def test_by_condition_what_is_in_the_bundle_and_known_is_named_by_the_servers_id(strategy: Strategy) -> None:
    body = build_bundle([patient(), OBSERVATION], strategy, BASE, {"Patient/p-1": "5"})
    assert entries(body)[1]["resource"]["subject"] == {"reference": "Patient/5"}


def test_what_no_condition_can_find_again_is_sent_under_our_ids_only() -> None:
    assert sendable([OBSERVATION, PROVENANCE], Strategy.CLIENT_IDS) == [OBSERVATION, PROVENANCE]
    for strategy in CONDITIONAL:
        assert sendable([OBSERVATION, PROVENANCE], strategy) == [OBSERVATION]
