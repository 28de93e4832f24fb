"""What sekmet-fhir 0.1.1, a FHIR server by others, does with the requests that the delivery makes.

Other tests deliver to it; these say what that proves and what it does not.
"""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any
from uuid import uuid4

import httpx
import pytest

from service.exact_json import ExactNumber, read_json, write_json
from tests.support.delivery_servers import StartedServers
from tests.support.third_party_servers import RunningServer

pytestmark = pytest.mark.server

NAME = "sekmet"
IDENTIFIERS = "urn:example:hospital:keys"
HEADERS = {"Content-Type": "application/fhir+json", "Accept": "application/fhir+json"}


@pytest.fixture
def server(servers: StartedServers) -> RunningServer:
    return servers.running(NAME)


@pytest.fixture
def client(server: RunningServer) -> Iterator[httpx.Client]:
    with httpx.Client(base_url=server.base_url, headers=HEADERS, trust_env=False, timeout=30) as opened:
        yield opened


def _patient(key: str, **more: Any) -> dict[str, Any]:
    return {"resourceType": "Patient", "identifier": [{"system": IDENTIFIERS, "value": key}], **more}


def _observation(subject: str, **more: Any) -> dict[str, Any]:
    return {
        "resourceType": "Observation",
        "status": "final",
        "code": {"text": "energy"},
        "subject": {"reference": subject},
        **more,
    }


def _put(resource: dict[str, Any], **more: Any) -> dict[str, Any]:
    return {
        "fullUrl": f"urn:uuid:{resource['id']}",
        "resource": resource,
        "request": {"method": "PUT", "url": f"{resource['resourceType']}/{resource['id']}", **more},
    }


def _create_unless_there(key: str) -> dict[str, Any]:
    return {
        "fullUrl": f"urn:uuid:{uuid4()}",
        "resource": _patient(key),
        "request": {"method": "POST", "url": "Patient", "ifNoneExist": f"identifier={IDENTIFIERS}|{key}"},
    }


def _transact(client: httpx.Client, *entries: dict[str, Any]) -> httpx.Response:
    bundle = {"resourceType": "Bundle", "type": "transaction", "entry": list(entries)}
    return client.post("", content=write_json(bundle))


def _statuses(response: httpx.Response) -> list[str]:
    assert response.status_code == 200, response.text
    return [entry["response"]["status"] for entry in response.json()["entry"]]


def _count(client: httpx.Client, resource_type: str, key: str) -> int:
    found = client.get(f"/{resource_type}", params={"identifier": f"{IDENTIFIERS}|{key}"})
    total: int = found.json()["total"]
    return total


def _new_id() -> str:
    return str(uuid4())


def test_it_listens_on_this_machine_only(server: RunningServer) -> None:
    assert server.base_url.startswith("http://127.0.0.1:")
    listening = Path("/proc/net/tcp").read_text(encoding="ascii").splitlines()[1:]
    port = f"{httpx.URL(server.base_url).port:04X}"
    addresses = {
        line.split()[1] for line in listening if line.split()[1].endswith(f":{port}") and line.split()[3] == "0A"
    }
    assert addresses == {f"0100007F:{port}"}


def test_its_capability_statement_says_r4_transactions_and_update_as_create(client: httpx.Client) -> None:
    metadata = client.get("/metadata").json()
    assert metadata["fhirVersion"] == "4.0.1"
    rest = metadata["rest"][0]
    assert {"code": "transaction"} in rest["interaction"]
    for resource in rest["resource"]:
        assert resource["updateCreate"] is True, resource["type"]
        assert resource["conditionalCreate"] is True, resource["type"]
        assert resource["conditionalUpdate"] is True, resource["type"]
        assert resource["versioning"] == "versioned-update", resource["type"]


def test_its_capability_statement_leaves_out_types_that_it_takes(client: httpx.Client) -> None:
    # Who asks it per type must not conclude that it cannot store a DeviceMetric or a Composition.
    listed = {resource["type"] for resource in client.get("/metadata").json()["rest"][0]["resource"]}
    assert {"Patient", "Encounter", "Device", "Observation", "Procedure", "Provenance", "AuditEvent"} <= listed
    assert {"MedicationAdministration", "Practitioner", "Location", "Flag", "Condition"} <= listed
    assert not {"DeviceMetric", "Composition", "Binary", "DetectedIssue", "List"} & listed
    metric = {"resourceType": "DeviceMetric", "id": _new_id(), "type": {"text": "x"}, "category": "measurement"}
    assert client.put(f"/DeviceMetric/{metric['id']}", json=metric).status_code == 201


def test_a_put_under_the_clients_own_id_creates_and_its_repetition_makes_one_more_version(
    client: httpx.Client,
) -> None:
    patient = _patient("own-id", id=_new_id())
    first, second = (client.put(f"/Patient/{patient['id']}", json=patient) for _ in range(2))
    assert (first.status_code, first.headers["ETag"]) == (201, 'W/"1"')
    assert (second.status_code, second.headers["ETag"]) == (200, 'W/"2"')
    assert _count(client, "Patient", "own-id") == 1


def test_a_put_that_asks_for_nothing_to_be_there_overwrites_all_the_same(client: httpx.Client) -> None:
    # If-None-Match on PUT is no part of base R4; this server ignores it, alone and in a transaction.
    patient = _patient("none-match", id=_new_id())
    client.put(f"/Patient/{patient['id']}", json=patient)
    alone = client.put(f"/Patient/{patient['id']}", json=patient, headers={"If-None-Match": "*"})
    assert (alone.status_code, alone.headers["ETag"]) == (200, 'W/"2"')
    assert _statuses(_transact(client, _put(patient, ifNoneMatch="*"))) == ["200 OK"]


def test_a_stale_if_match_is_refused_alone_and_in_a_transaction(client: httpx.Client) -> None:
    patient = _patient("stale", id=_new_id())
    for _ in range(2):
        client.put(f"/Patient/{patient['id']}", json=patient)
    stale = 'W/"1"'
    assert client.put(f"/Patient/{patient['id']}", json=patient, headers={"If-Match": stale}).status_code == 412
    assert _transact(client, _put(patient, ifMatch=stale)).status_code == 412
    assert _statuses(_transact(client, _put(patient, ifMatch='W/"2"'))) == ["200 OK"]


def test_a_transaction_of_puts_replaces_urn_references_and_answers_in_order(client: httpx.Client) -> None:
    patient = _patient("in-order", id=_new_id())
    # The observation stands before the patient to whom it refers.
    observation = _observation(f"urn:uuid:{patient['id']}", id=_new_id())
    response = _transact(client, _put(observation), _put(patient))
    assert _statuses(response) == ["201 Created", "201 Created"]
    locations = [entry["response"]["location"] for entry in response.json()["entry"]]
    for location, resource in zip(locations, (observation, patient), strict=True):
        assert location.endswith(f"/{resource['resourceType']}/{resource['id']}/_history/1")
    stored = client.get(f"/Observation/{observation['id']}").json()
    assert stored["subject"] == {"reference": f"Patient/{patient['id']}"}


def test_the_same_transaction_again_makes_one_more_version_and_nothing_else(client: httpx.Client) -> None:
    observation = _observation("Patient/p", id=_new_id(), identifier=[{"system": IDENTIFIERS, "value": "again"}])
    entries = (_put(observation), _create_unless_there("again"))
    assert _statuses(_transact(client, *entries)) == ["201 Created", "201 Created"]
    assert _statuses(_transact(client, *entries)) == ["200 OK", "200 OK"]
    assert _count(client, "Observation", "again") == 1
    assert _count(client, "Patient", "again") == 1
    assert client.get(f"/Observation/{observation['id']}/_history").json()["total"] == 2


def test_a_conditional_update_in_a_transaction_creates_and_then_updates(client: httpx.Client) -> None:
    entry = {
        "fullUrl": f"urn:uuid:{uuid4()}",
        "resource": _patient("conditional"),
        "request": {"method": "PUT", "url": f"Patient?identifier={IDENTIFIERS}|conditional"},
    }
    assert _statuses(_transact(client, entry)) == ["201 Created"]
    assert _statuses(_transact(client, entry)) == ["200 OK"]
    assert _count(client, "Patient", "conditional") == 1


def test_a_conditional_create_finds_what_is_there(client: httpx.Client) -> None:
    headers = {"If-None-Exist": f"identifier={IDENTIFIERS}|create"}
    first, second = (client.post("/Patient", json=_patient("create"), headers=headers) for _ in range(2))
    assert (first.status_code, second.status_code) == (201, 200)
    assert first.headers["Location"] == second.headers["Location"]


def test_conditional_creates_at_the_same_time_make_one_resource_if_they_are_transactions(
    server: RunningServer, client: httpx.Client
) -> None:
    # Sent as plain POSTs they make several: it searches before it takes its lock.
    def send(_: int) -> list[str]:
        with httpx.Client(base_url=server.base_url, headers=HEADERS, trust_env=False, timeout=60) as sender:
            answers = (_transact(sender, _create_unless_there(f"race-{number}")) for number in range(10))
            return [status for answer in answers for status in _statuses(answer)]

    with ThreadPoolExecutor(4) as senders:
        statuses = [status for sent in senders.map(send, range(4)) for status in sent]
    assert sorted(statuses) == ["200 OK"] * 30 + ["201 Created"] * 10
    assert [_count(client, "Patient", f"race-{number}") for number in range(10)] == [1] * 10


def test_the_same_conditional_create_twice_in_one_transaction_makes_two(client: httpx.Client) -> None:
    # The sender must not repeat an entry: the server does not notice.
    assert _statuses(_transact(client, _create_unless_there("twin"), _create_unless_there("twin"))) == [
        "201 Created",
        "201 Created",
    ]
    assert _count(client, "Patient", "twin") == 2


def test_one_bad_entry_undoes_the_whole_transaction_and_the_outcome_says_where(client: httpx.Client) -> None:
    good, bad = _patient("undone", id=_new_id()), _observation("Patient/p", id=_new_id())
    del bad["status"]
    response = _transact(client, _put(good), _put(bad))
    assert response.status_code == 400
    outcome = response.json()
    assert outcome["resourceType"] == "OperationOutcome"
    assert "rolled back" in outcome["issue"][0]["diagnostics"]
    assert client.get(f"/Patient/{good['id']}").status_code == 404


def test_a_reference_to_a_urn_that_no_entry_has_is_refused(client: httpx.Client) -> None:
    observation = _observation(f"urn:uuid:{uuid4()}", id=_new_id())
    assert _transact(client, _put(observation)).status_code == 400


def test_a_conditional_reference_is_resolved(client: httpx.Client) -> None:
    patient = _patient("referred", id=_new_id())
    client.put(f"/Patient/{patient['id']}", json=patient)
    observation = _observation(f"Patient?identifier={IDENTIFIERS}|referred", id=_new_id())
    assert _statuses(_transact(client, _put(observation))) == ["201 Created"]
    stored = client.get(f"/Observation/{observation['id']}").json()
    assert stored["subject"]["reference"] == f"Patient/{patient['id']}"


def test_a_number_keeps_its_value_and_loses_its_trailing_zero(client: httpx.Client) -> None:
    # Who compares what was sent with what is stored must compare values, not spellings.
    quantity = {"value": ExactNumber("187.50"), "unit": "J"}
    observation = _observation("Patient/p", id=_new_id(), valueQuantity=quantity)
    assert _statuses(_transact(client, _put(observation))) == ["201 Created"]
    stored = read_json(client.get(f"/Observation/{observation['id']}").content)
    assert stored["valueQuantity"]["value"].literal == "187.5"


def test_what_it_does_not_check_is_known(client: httpx.Client) -> None:
    # That it stores a resource proves neither its codes, nor its invariants, nor where its references lead.
    for change in (
        {"status": "done"},
        {"subject": {"reference": "Medication/not-there"}},
        {"valueString": "x", "dataAbsentReason": {"text": "unknown"}},
    ):
        observation = _observation("Patient/p", id=_new_id()) | change
        assert client.put(f"/Observation/{observation['id']}", json=observation).status_code == 201, change


def test_what_it_stored_is_there_after_it_was_killed(killed_servers: StartedServers) -> None:
    patient = _patient("survivor", id=_new_id())
    address = f"{killed_servers.running(NAME).base_url}/Patient/{patient['id']}"
    httpx.put(address, json=patient, headers=HEADERS, trust_env=False).raise_for_status()
    killed_servers.kill(NAME)
    with pytest.raises(httpx.ConnectError):
        httpx.get(address, trust_env=False)
    killed_servers.restart(NAME)
    assert httpx.get(address, trust_env=False).json()["identifier"] == patient["identifier"]
