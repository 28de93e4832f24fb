"""What the Medplum router 4.5.2, over its in-memory repository, does with the requests that the delivery makes.

Other tests deliver to it; these say what that proves and what it does not. HTTP, the CapabilityStatement, the
taking back of a transaction that failed and the order of requests are ours, in tests/interop/medplum_router: of
these the tests say nothing about Medplum's own server.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import httpx
import pytest

from service.delivery.read_capabilities import choose_strategy, missing_capabilities, read_capabilities
from service.exact_json import read_json
from service.settings import Strategy
from tests.support.delivery_servers import StartedServers
from tests.support.fhir_requests import (
    IDENTIFIERS,
    Resource,
    conditional_create,
    conditional_update,
    count,
    fhir_client,
    new_id,
    observation,
    patient,
    put,
    put_entry,
    statuses,
    transact,
)
from tests.support.fhir_search import PRODUCED_TYPES
from tests.support.third_party_servers import RunningServer, install_medplum_router

pytestmark = [pytest.mark.server, pytest.mark.node]

CONDITIONAL = pytest.mark.parametrize("entry", [conditional_create, conditional_update])


@pytest.fixture
def server(servers: StartedServers) -> RunningServer:
    return servers.running("medplum-router")


@pytest.fixture
def client(server: RunningServer) -> Iterator[httpx.Client]:
    with fhir_client(server.base_url) as opened:
        yield opened


def _said(response: httpx.Response) -> str:
    text: str = response.json()["issue"][0]["details"]["text"]
    return text


def test_it_listens_on_this_machine_only(server: RunningServer) -> None:
    port = f"{httpx.URL(server.base_url).port:04X}"
    listening = [
        line.split()[1]
        for table in ("tcp", "tcp6")
        for line in Path(f"/proc/net/{table}").read_text(encoding="ascii").splitlines()[1:]
        if line.split()[1].endswith(f":{port}") and line.split()[3] == "0A"
    ]
    assert listening == [f"0100007F:{port}"]


def test_it_is_not_installed_again_while_its_versions_are_there() -> None:
    assert install_medplum_router() is False


def test_its_statement_has_auto_go_by_conditions(client: httpx.Client) -> None:
    # The statement is ours; in updateCreate (false) and the conditions it follows that of Medplum's own server.
    capabilities = read_capabilities(client.get("/metadata").json())
    assert choose_strategy(capabilities, PRODUCED_TYPES, Strategy.AUTO) is Strategy.CONDITIONAL_UPDATE
    assert missing_capabilities(capabilities, PRODUCED_TYPES, Strategy.CONDITIONAL_UPDATE) == []
    (missing,) = missing_capabilities(capabilities, PRODUCED_TYPES, Strategy.CLIENT_IDS)
    assert missing.startswith("no ids of the client's choice (updateCreate) for: ")


def test_a_put_under_the_clients_own_id_is_taken_and_always_answered_200(client: httpx.Client) -> None:
    # The repository in memory takes any id; this says nothing about Medplum's own server, whose statement says no.
    resource = patient("own-id", id=new_id())
    first, second = put(client, resource), put(client, resource)
    assert (first.status_code, second.status_code) == (200, 200)
    # Its versions are UUIDs, and the same content makes one more.
    assert first.headers["ETag"] != second.headers["ETag"]
    assert count(client, "own-id") == 1
    assert put(client, patient("digits-only", id="123")).status_code == 200


def test_a_stale_if_match_is_refused_alone_and_in_a_transaction(client: httpx.Client) -> None:
    resource = patient("stale", id=new_id())
    stale = put(client, resource).headers["ETag"]
    fresh = put(client, resource).headers["ETag"]
    assert put(client, resource, If_Match=stale).status_code == 412
    assert transact(client, put_entry(resource, ifMatch=stale)).status_code == 412
    assert statuses(transact(client, put_entry(resource, ifMatch=fresh))) == [200]


def test_a_transaction_of_puts_replaces_urn_references_and_answers_in_order(client: httpx.Client) -> None:
    subject = patient("in-order", id=new_id())
    # The observation stands before the patient to whom it refers.
    found = observation(f"urn:uuid:{subject['id']}", id=new_id())
    response = transact(client, put_entry(found), put_entry(subject))
    assert statuses(response) == [200, 200]
    # It names no version.
    locations = [entry["response"]["location"] for entry in response.json()["entry"]]
    assert locations == [f"Observation/{found['id']}", f"Patient/{subject['id']}"]
    stored = client.get(f"/Observation/{found['id']}").json()
    assert stored["subject"] == {"reference": f"Patient/{subject['id']}"}


@CONDITIONAL
def test_a_transaction_with_conditions_has_at_most_eight_entries(
    entry: Callable[[str], Resource], client: httpx.Client
) -> None:
    # It answers 400, not 413: so the delivery cannot tell it from content that is refused.
    names = [f"eight-{entry.__name__}-{number}" for number in range(9)]
    refused = transact(client, *map(entry, names))
    assert refused.status_code == 400
    assert _said(refused) == "Transaction requires strict isolation but has too many entries"
    assert [count(client, name) for name in names] == [0] * 9
    assert statuses(transact(client, *map(entry, names[:8]))) == [201] * 8
    # One condition among others is enough.
    others = [put_entry(patient("other", id=new_id())) for _ in range(8)]
    assert transact(client, *others, entry("ninth")).status_code == 400


def test_conditional_updates_of_what_is_there_are_not_counted_among_the_eight(client: httpx.Client) -> None:
    names = [f"there-{number}" for number in range(20)]
    for name in names:
        transact(client, conditional_update(name))
    assert statuses(transact(client, *map(conditional_update, names))) == [200] * 20


def test_a_transaction_has_at_most_fifty_puts_and_any_number_of_creates(client: httpx.Client) -> None:
    puts = [put_entry(patient("fifty", id=new_id())) for _ in range(51)]
    refused = transact(client, *puts)
    assert refused.status_code == 400
    assert _said(refused) == "Transaction contains more update operations than allowed"
    assert count(client, "fifty") == 0
    assert statuses(transact(client, *puts[:50])) == [200] * 50
    creates = [
        {
            "fullUrl": f"urn:uuid:{new_id()}",
            "resource": patient("creates"),
            "request": {"method": "POST", "url": "Patient"},
        }
        for _ in range(100)
    ]
    assert statuses(transact(client, *creates)) == [201] * 100


@CONDITIONAL
def test_a_conditional_entry_again_makes_no_second_resource(
    entry: Callable[[str], Resource], client: httpx.Client
) -> None:
    key = f"again-{entry.__name__}"
    first, second = transact(client, entry(key)), transact(client, entry(key))
    assert (statuses(first), statuses(second)) == ([201], [200])
    places = [answer.json()["entry"][0]["response"]["location"] for answer in (first, second)]
    assert places[0] == places[1]
    assert count(client, key) == 1


def test_a_condition_that_several_resources_meet_is_refused_by_400_or_412(client: httpx.Client) -> None:
    transact(client, *(put_entry(patient("several", id=new_id())) for _ in range(2)))
    assert transact(client, conditional_update("several")).status_code == 400
    assert transact(client, conditional_create("several")).status_code == 412


def test_the_same_conditional_create_twice_in_one_transaction_makes_one(client: httpx.Client) -> None:
    assert statuses(transact(client, conditional_create("twin"), conditional_create("twin"))) == [201, 200]
    assert count(client, "twin") == 1


def test_conditional_creates_at_the_same_time_make_one_resource(
    server: RunningServer, client: httpx.Client
) -> None:
    # Our glue takes one request at a time, so this says nothing about Medplum's own server.
    def send(_: int) -> list[int]:
        with fhir_client(server.base_url) as sender:
            answers = (transact(sender, conditional_create(f"race-{number}")) for number in range(10))
            return [status for answer in answers for status in statuses(answer)]

    with ThreadPoolExecutor(4) as senders:
        sent = [status for each in senders.map(send, range(4)) for status in each]
    assert sorted(sent) == [200] * 30 + [201] * 10
    assert [count(client, f"race-{number}") for number in range(10)] == [1] * 10


def test_a_reference_to_what_is_not_there_is_stored_as_it_is(client: httpx.Client) -> None:
    # A urn that no entry has and a conditional reference are not resolved either, and no error says so.
    for subject in (
        f"Patient/{new_id()}",
        f"urn:uuid:{new_id()}",
        f"Patient?identifier={IDENTIFIERS}|stale",
    ):
        found = observation(subject, id=new_id())
        assert statuses(transact(client, put_entry(found))) == [200]
        assert client.get(f"/Observation/{found['id']}").json()["subject"] == {"reference": subject}


def test_an_entry_that_is_refused_takes_the_whole_transaction_with_it(client: httpx.Client) -> None:
    # The taking back is ours, over Medplum's repository, which has none.
    here = patient("here", id=new_id())
    before = put(client, here).headers["ETag"]
    good, bad = patient("atomic", id=new_id()), observation("Patient/x", id=new_id())
    del bad["status"]
    refused = transact(client, put_entry({**here, "active": True}), put_entry(good), put_entry(bad))
    assert refused.status_code == 400
    assert client.get(f"/Patient/{good['id']}").status_code == 404
    now = client.get(f"/Patient/{here['id']}")
    assert (now.headers["ETag"], "active" in now.json()) == (before, False)


def test_it_checks_structure_and_no_codes(client: httpx.Client) -> None:
    assert put(client, observation("Patient/x", id=new_id(), status="nonsense")).status_code == 200
    without_status = observation("Patient/x", id=new_id())
    del without_status["status"]
    assert put(client, without_status).status_code == 400
    assert put(client, observation("Patient/x", id=new_id(), unknown="x")).status_code == 400


def test_it_loses_the_zeros_at_the_end_of_a_number(client: httpx.Client) -> None:
    sent = observation("Patient/x", id=new_id(), valueQuantity={"value": read_json(b"1.50")})
    put(client, sent)
    assert '"value":1.5}' in client.get(f"/Observation/{sent['id']}").text


def test_what_was_deleted_is_not_found_until_it_is_put_again(client: httpx.Client) -> None:
    resource = patient("deleted", id=new_id())
    put(client, resource)
    assert client.delete(f"/Patient/{resource['id']}").status_code == 200
    assert client.get(f"/Patient/{resource['id']}").status_code == 404
    assert put(client, resource).status_code == 200
    assert client.get(f"/Patient/{resource['id']}").status_code == 200


def test_content_that_is_not_json_is_refused_and_the_server_goes_on(client: httpx.Client) -> None:
    assert client.post("", content=b"{").status_code == 400
    assert client.get("/metadata").status_code == 200
