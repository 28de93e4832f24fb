"""What HAPI's JPA server 8.8.0 does, with its own settings, with the requests that the delivery makes.

Other tests deliver to it; these say what that proves and what it does not.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import httpx
import pytest

from service.delivery.read_capabilities import choose_strategy, missing_capabilities, read_capabilities
from service.exact_json import read_json, write_json
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
from tests.support.third_party_servers import RunningServer, build_hapi_jpa

pytestmark = [pytest.mark.server, pytest.mark.java]

NAME = "hapi-jpa"


@pytest.fixture
def server(servers: StartedServers) -> RunningServer:
    return servers.running(NAME)


@pytest.fixture
def client(server: RunningServer) -> Iterator[httpx.Client]:
    with fhir_client(server.base_url) as opened:
        yield opened


def test_it_listens_on_this_machine_only(server: RunningServer) -> None:
    port = f"{httpx.URL(server.base_url).port:04X}"
    listening = [
        line.split()[1]
        # Java listens through IPv6 sockets, on an address that maps the IPv4 one.
        for table in ("tcp", "tcp6")
        for line in Path(f"/proc/net/{table}").read_text(encoding="ascii").splitlines()[1:]
        if line.split()[1].endswith(f":{port}") and line.split()[3] == "0A"
    ]
    assert listening == [f"0000000000000000FFFF00000100007F:{port}"]


def test_it_is_not_built_again_while_no_source_is_newer() -> None:
    assert build_hapi_jpa() is False


def test_it_does_not_say_that_it_takes_ids_of_the_clients_choice_and_so_auto_goes_by_conditions(
    client: httpx.Client,
) -> None:
    # It does take them, as other tests here show: `client-ids` has to be set by whoever knows this server.
    statement = client.get("/metadata").json()
    listed = {resource["type"]: resource for resource in statement["rest"][0]["resource"]}
    assert set(PRODUCED_TYPES) <= set(listed)
    assert {name for name in listed if "updateCreate" in listed[name]} == set()
    capabilities = read_capabilities(statement)
    assert choose_strategy(capabilities, PRODUCED_TYPES, Strategy.AUTO) is Strategy.CONDITIONAL_UPDATE
    for strategy in (Strategy.CONDITIONAL_UPDATE, Strategy.CONDITIONAL_CREATE):
        assert missing_capabilities(capabilities, PRODUCED_TYPES, strategy) == []
    (missing,) = missing_capabilities(capabilities, PRODUCED_TYPES, Strategy.CLIENT_IDS)
    assert missing.startswith("no ids of the client's choice (updateCreate) for: ")


def test_a_put_under_the_clients_own_uuid_creates_and_its_repetition_makes_no_version(client: httpx.Client) -> None:
    resource = patient("own-id", id=new_id())
    first, second = put(client, resource), put(client, resource)
    assert (first.status_code, first.headers["ETag"]) == (201, 'W/"1"')
    assert (second.status_code, second.headers["ETag"]) == (200, 'W/"1"')
    changed = put(client, {**resource, "active": True})
    assert (changed.status_code, changed.headers["ETag"]) == (200, 'W/"2"')
    assert count(client, "own-id") == 1


def test_an_id_of_digits_only_is_refused(client: httpx.Client) -> None:
    # It keeps those for itself. Ours are UUIDs, and a UUID without a letter or a hyphen does not exist.
    refused = put(client, patient("digits", id="123"))
    assert refused.status_code == 400
    assert "clients may only assign IDs which contain at least one non-numeric character" in refused.text


def test_a_stale_if_match_is_a_conflict_alone_and_in_a_transaction(client: httpx.Client) -> None:
    # R4 says 412; this server says 409.
    resource = patient("stale", id=new_id())
    put(client, resource)
    put(client, {**resource, "active": True})
    assert put(client, resource, If_Match='W/"1"').status_code == 409
    assert transact(client, put_entry(resource, ifMatch='W/"1"')).status_code == 409
    assert statuses(transact(client, put_entry(resource, ifMatch='W/"2"'))) == [200]


def test_a_transaction_of_puts_replaces_urn_references_and_answers_in_order(client: httpx.Client) -> None:
    subject = patient("in-order", id=new_id())
    # The observation stands before the patient to whom it refers.
    found = observation(f"urn:uuid:{subject['id']}", id=new_id())
    response = transact(client, put_entry(found), put_entry(subject))
    assert statuses(response) == [201, 201]
    locations = [entry["response"]["location"] for entry in response.json()["entry"]]
    assert locations == [f"Observation/{found['id']}/_history/1", f"Patient/{subject['id']}/_history/1"]
    stored = client.get(f"/Observation/{found['id']}").json()
    assert stored["subject"] == {"reference": f"Patient/{subject['id']}"}


def test_a_transaction_of_a_hundred_puts_or_conditional_entries_passes(client: httpx.Client) -> None:
    assert (
        statuses(transact(client, *(put_entry(patient(f"h{n}", id=new_id())) for n in range(100)))) == [201] * 100
    )
    assert statuses(transact(client, *(conditional_create(f"c{n}") for n in range(100)))) == [201] * 100
    assert statuses(transact(client, *(conditional_update(f"u{n}") for n in range(100)))) == [201] * 100


@pytest.mark.parametrize("entry", [conditional_create, conditional_update])
def test_a_conditional_entry_again_makes_no_second_resource_and_no_second_version(
    entry: Callable[[str], Resource], client: httpx.Client
) -> None:
    key = f"again-{entry.__name__}"
    first, second = transact(client, entry(key)), transact(client, entry(key))
    assert (statuses(first), statuses(second)) == ([201], [200])
    places = [answer.json()["entry"][0]["response"]["location"] for answer in (first, second)]
    assert places[0] == places[1]
    assert places[0].endswith("/_history/1")
    # It gives numbers of its own.
    assert places[0].split("/")[1].isdecimal()
    assert count(client, key) == 1


def test_a_condition_that_several_resources_meet_is_refused_with_412(client: httpx.Client) -> None:
    transact(client, *(put_entry(patient("several", id=new_id())) for _ in range(2)))
    assert transact(client, conditional_update("several")).status_code == 412
    assert transact(client, conditional_create("several")).status_code == 412


def test_of_the_same_conditional_create_twice_in_one_transaction_it_answers_only_one(client: httpx.Client) -> None:
    # The sender must not repeat an entry: the answers could not be told apart.
    assert statuses(transact(client, conditional_create("twin"), conditional_create("twin"))) == [201]
    assert count(client, "twin") == 1


def test_conditional_creates_at_the_same_time_make_one_resource_or_are_refused_with_409(
    server: RunningServer, client: httpx.Client
) -> None:
    def send(_: int) -> list[httpx.Response]:
        with fhir_client(server.base_url) as sender:
            return [transact(sender, conditional_create(f"race-{number}")) for number in range(10)]

    with ThreadPoolExecutor(4) as senders:
        answers = [answer for sent in senders.map(send, range(4)) for answer in sent]
    assert {answer.status_code for answer in answers} <= {200, 409}
    taken = [statuses(answer)[0] for answer in answers if answer.status_code == 200]
    assert taken.count(201) == 10
    assert [count(client, f"race-{number}") for number in range(10)] == [1] * 10


def test_a_reference_to_what_is_not_there_is_refused_with_400(client: httpx.Client) -> None:
    # So whatever a resource refers to has to arrive before it or with it.
    for subject in (f"Patient/{new_id()}", f"urn:uuid:{new_id()}"):
        found = observation(subject, id=new_id())
        assert transact(client, put_entry(found)).status_code == 400
        assert client.get(f"/Observation/{found['id']}").status_code == 404


def test_a_conditional_reference_is_resolved_and_without_a_match_refused_with_404(client: httpx.Client) -> None:
    subject = patient("referred", id=new_id())
    put(client, subject)
    found = observation(f"Patient?identifier={IDENTIFIERS}|referred", id=new_id())
    assert statuses(transact(client, put_entry(found))) == [201]
    stored = client.get(f"/Observation/{found['id']}").json()
    assert stored["subject"] == {"reference": f"Patient/{subject['id']}"}
    nobody = observation(f"Patient?identifier={IDENTIFIERS}|nobody", id=new_id())
    assert transact(client, put_entry(nobody)).status_code == 404


def test_an_entry_that_is_refused_takes_the_whole_transaction_with_it(client: httpx.Client) -> None:
    good = patient("atomic", id=new_id())
    assert transact(client, put_entry(good), put_entry(observation("Patient/none", id=new_id()))).status_code == 400
    assert client.get(f"/Patient/{good['id']}").status_code == 404


def test_it_checks_codes_of_the_base_specification_and_little_else(client: httpx.Client) -> None:
    # It is no validator: what it takes is not thereby right.
    subject = patient("checked", id=new_id())
    put(client, subject)
    reference = f"Patient/{subject['id']}"
    assert put(client, observation(reference, id=new_id(), status="nonsense")).status_code == 400
    without_status = observation(reference, id=new_id())
    del without_status["status"]
    assert put(client, without_status).status_code == 201
    unknown = observation(reference, id=new_id(), unknown="x")
    assert put(client, unknown).status_code == 201
    assert "unknown" not in client.get(f"/Observation/{unknown['id']}").json()


def test_it_keeps_the_digits_of_a_number_and_of_an_instant(client: httpx.Client) -> None:
    subject = patient("digits", id=new_id())
    put(client, subject)
    body = write_json(
        observation(
            f"Patient/{subject['id']}",
            id=new_id(),
            effectiveDateTime="2026-03-01T10:00:00.1+01:00",
            valueQuantity={"value": read_json(b"1.50")},
        )
    )
    sent = read_json(body)
    assert put(client, sent).status_code == 201
    back = client.get(f"/Observation/{sent['id']}").text
    assert '"value":1.50' in back.replace(" ", "")
    assert "2026-03-01T10:00:00.1+01:00" in back


def test_a_tag_stays_though_an_update_leaves_it_out(client: httpx.Client) -> None:
    # So nothing that has to be taken back may be said in a tag.
    resource = patient("tagged", id=new_id())
    tag = {"system": "urn:example:tags", "code": "t"}
    put(client, {**resource, "meta": {"tag": [tag]}})
    assert put(client, {**resource, "active": True}).status_code == 200
    assert client.get(f"/Patient/{resource['id']}").json()["meta"]["tag"] == [tag]


def test_what_was_deleted_is_gone_until_it_is_put_again(client: httpx.Client) -> None:
    resource = patient("deleted", id=new_id())
    put(client, resource)
    assert client.delete(f"/Patient/{resource['id']}").status_code == 200
    assert client.get(f"/Patient/{resource['id']}").status_code == 410
    assert put(client, resource).status_code == 201
    assert client.get(f"/Patient/{resource['id']}").status_code == 200


def test_what_it_answered_is_there_after_it_was_killed(killed_servers: StartedServers) -> None:
    resource = patient("kept", id=new_id())
    with fhir_client(killed_servers.running(NAME).base_url) as opened:
        assert statuses(transact(opened, put_entry(resource))) == [201]
    killed_servers.kill(NAME)
    killed_servers.restart(NAME)
    with fhir_client(killed_servers.running(NAME).base_url) as opened:
        assert opened.get(f"/Patient/{resource['id']}").json()["identifier"] == resource["identifier"]
