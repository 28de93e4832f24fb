"""What the server refuses is held with what it speaks of; a person retries it, or gives it up with a reason."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from service.audit.verify_chain import verify_chain
from service.delivery.compare_resource import differences
from service.exact_json import read_json, write_json
from service.records.references import references_in
from service.storage.store import Store
from tests.support.delivering_service import Client, example, open_demo, quick_settings, running_service, wait_until
from tests.support.faulty_fhir_server import (
    Exchange,
    Fault,
    Site,
    answering,
    faulty_server,
    honestly,
    refusing_type,
)
from tests.support.fhir_search import everything_at
from tests.support.stores import store_in

CASE = "c-demo"
AT = "2031-03-02T10:02:05+01:00"


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    with faulty_server(tmp_path / "server.sqlite") as opened:
        yield opened


@pytest.fixture
def client(site: Site, tmp_path: Path) -> Iterator[Client]:
    with running_service(quick_settings(tmp_path / "s.sqlite", site.base)) as opened:
        yield opened
    # Whatever was retried and discarded, the log tells of all of it.
    store = Store(store_in(tmp_path, "s"))
    store.open()
    faults = store.read_now(verify_chain).faults
    store.close()
    assert faults == ()


def refusing_entry(resource_type: str, path: str) -> Fault:
    """Refuse a Bundle that brings a type, and name the entry and element as servers do."""

    async def play(exchange: Exchange) -> None:
        types = [entry["resource"]["resourceType"] for entry in read_json(exchange.body)["entry"]]
        if resource_type not in types:
            await honestly(exchange)
            return
        issue = {
            "severity": "error",
            "code": "invariant",
            "expression": [f"Bundle.entry[{types.index(resource_type)}].resource.{path}"],
        }
        body = write_json({"resourceType": "OperationOutcome", "issue": [issue]})
        await answering(422, body, "application/fhir+json")(exchange)

    return play


def shock(event_id: str = "e-1", **more: Any) -> dict[str, Any]:
    return {"id": event_id, "kind": "shock_delivered", "at": AT, "energy_selected_joules": 200, **more}


def post(client: Client, *events: dict[str, Any]) -> None:
    for event in events:
        client.call("POST", f"/v1/cases/{CASE}/events", event, wanted=201)
    client.until_nothing_waits()


def discard(client: Client, delivery: dict[str, Any], reason: str = "not%20wanted") -> dict[str, Any]:
    body: dict[str, Any] = client.call("POST", f"/v1/deliveries/{delivery['id']}/discard?reason={reason}")
    return body


def test_a_refusal_says_of_which_resource_record_and_element_it_speaks(site: Site, client: Client) -> None:
    open_demo(client)
    site.server.standing = refusing_entry("Procedure", "status")
    post(client, shock())
    (held,) = client.deliveries("held")
    (procedure,) = [
        name for name, body in client.fhir(CASE).items() if name.startswith("Procedure/") and "partOf" in body
    ]
    (concern,) = held["concerns"]
    assert {name: concern[name] for name in ("resource", "record", "path")} == {
        "resource": procedure,
        "record": f"event:{CASE}/e-1",
        "path": "Procedure.status",
    }
    assert concern["fields"] == []
    (line,) = concern["lines"]
    assert line.startswith("fragments.yaml:")
    assert held["outcome"]["issue"][0]["code"] == "invariant"


@pytest.mark.parametrize(
    ("element", "fields"),
    [
        ("component[0].valueQuantity.value", ["energy_selected_joules"]),
        ("component.valueQuantity", ["energy_selected_joules"]),
        ("component[0]", ["energy_selected_joules"]),
        ("subject.display", []),
    ],
)
def test_a_refused_element_is_traced_to_the_field_of_the_event(
    site: Site, client: Client, element: str, fields: list[str]
) -> None:
    open_demo(client)
    site.server.standing = refusing_entry("Observation", element)
    post(client, shock())
    (held,) = client.deliveries("held")
    (concern,) = held["concerns"]
    assert concern["path"] == f"Observation.{element}"
    assert [name for name in concern["fields"] if name.startswith("energy")] == fields
    assert concern["lines"]


def test_all_that_is_held_in_a_case_is_retried_at_once_and_that_of_other_cases_stays(
    site: Site, client: Client
) -> None:
    open_demo(client)
    client.call("PUT", "/v1/cases/c-2", {"patient": {"unidentified": True, "label": "two"}}, wanted=201)
    client.until_nothing_waits()
    site.server.standing = refusing_type("Procedure")
    client.call("POST", "/v1/cases/c-2/events", shock("e-other"), wanted=201)
    post(client, shock("e-1"), shock("e-2"), shock("e-3"))
    held = client.deliveries("held")
    assert len(held) == 4
    site.server.standing = honestly
    answer = client.call("POST", f"/v1/deliveries/retry?case_id={CASE}&state=held")
    assert answer == {
        "retried": [delivery["id"] for delivery in held if delivery["case_id"] == CASE],
        "remaining": False,
    }
    client.until_nothing_waits()
    (left,) = client.deliveries("held")
    assert left["case_id"] == "c-2"
    assert len(client.audit("&action=retry")) == 3
    assert len(client.call("POST", "/v1/deliveries/retry")["retried"]) == 1
    client.until_nothing_waits()
    assert client.deliveries("held") == []
    client.call("POST", "/v1/deliveries/retry?state=waiting", wanted=422)


def assert_all_there(client: Client, site: Site, but: str = "") -> None:
    """Assert that the server holds every resource of the case as it stands, but those of a type."""
    there = {f"{body['resourceType']}/{body['id']}": body for body in everything_at(client.http, site.base)}
    made = {name: body for name, body in client.fhir(CASE).items() if name.partition("/")[0] != but}
    assert len(made) > 5
    for name, body in made.items():
        assert differences(body, there.get(name, {}), site.base) == [], name


def audited_resources(client: Client) -> list[str]:
    (entry,) = client.audit("&action=discard")
    resources: list[str] = entry["detail"]["resources"]
    return resources


def test_a_discarded_delivery_is_never_sent_and_the_reason_is_in_the_log(site: Site, client: Client) -> None:
    open_demo(client)
    site.server.standing = refusing_type("Procedure")
    post(client, shock())
    (held,) = client.deliveries("held")
    body = discard(client, held, "entered%20for%20a%20test")
    assert body["state"] == "discarded"
    site.server.standing = honestly
    post(client, {"id": "e-2", "kind": "remark", "at": AT, "text": "afterwards"})
    (discarded,) = client.deliveries("discarded")
    assert discarded["id"] == held["id"]
    assert client.deliveries("held") == []
    refused = set(audited_resources(client))
    there = {f"{body['resourceType']}/{body['id']}" for body in everything_at(client.http, site.base)}
    assert refused
    assert not refused & there
    (entry,) = client.audit("&action=discard")
    assert entry["detail"]["reason"] == "entered for a test"
    assert (entry["subject"], entry["case_id"]) == (f"delivery:{held['id']}", CASE)
    assert client.call("GET", f"/v1/cases/{CASE}")["delivery"]["discarded"] == 1
    client.call("POST", f"/v1/deliveries/{held['id']}/retry", wanted=409)
    client.call("POST", f"/v1/deliveries/{held['id']}/discard?reason=again", wanted=409)


def test_without_a_reason_nothing_is_discarded(site: Site, client: Client) -> None:
    open_demo(client)
    site.server.standing = refusing_type("Procedure")
    post(client, shock())
    (held,) = client.deliveries("held")
    client.call("POST", f"/v1/deliveries/{held['id']}/discard", wanted=422)
    client.call("POST", f"/v1/deliveries/{held['id']}/discard?reason=", wanted=422)
    client.call("POST", "/v1/deliveries/99999/discard?reason=x", wanted=404)
    assert len(client.deliveries("held")) == 1


def test_a_correction_goes_on_without_the_version_that_was_discarded_and_all_of_it_arrives(
    site: Site, client: Client
) -> None:
    open_demo(client)
    site.server.standing = refusing_type("Procedure")
    post(client, shock())
    (held,) = client.deliveries("held")
    client.call("PUT", f"/v1/cases/{CASE}/events/e-1?reason=read%20again", shock(energy_selected_joules=150))
    assert len(client.deliveries("waiting")) == 1
    site.server.standing = honestly
    discard(client, held)
    client.until_nothing_waits()
    assert client.deliveries("held") == []
    assert_all_there(client, site)


def test_a_record_that_changes_after_its_delivery_was_discarded_brings_all_of_its_resources(
    site: Site, client: Client
) -> None:
    open_demo(client)
    site.server.standing = refusing_type("Procedure")
    post(client, shock(note="first"))
    (held,) = client.deliveries("held")
    discard(client, held)
    site.server.standing = honestly
    client.call("PUT", f"/v1/cases/{CASE}/events/e-1?reason=read%20again", shock(energy_selected_joules=150))
    client.until_nothing_waits()
    assert client.deliveries("held") == []
    assert_all_there(client, site)


def test_what_refers_to_what_was_discarded_is_held_in_its_turn_and_nothing_points_at_nothing(
    site: Site, client: Client
) -> None:
    site.server.standing = refusing_type("Patient")
    client.call("PUT", f"/v1/cases/{CASE}", example("demo/case.json"), wanted=201)
    client.call("POST", f"/v1/cases/{CASE}/events", shock(), wanted=201)
    held = _until_held(client)
    discard(client, held)
    (dependent,) = client.deliveries("held")
    assert dependent["record"] == f"event:{CASE}/e-1"
    assert {issue["code"] for issue in dependent["outcome"]["issue"]} == {"not-found"}
    assert "was discarded and never arrived" in dependent["outcome"]["issue"][0]["diagnostics"]
    (entry,) = client.audit("&action=discard")
    assert entry["detail"]["now_held"] == [dependent["id"]]
    assert everything_at(client.http, site.base) == []
    # What is posted from now on brings what it refers to, and then the other one can stand as well.
    site.server.standing = honestly
    client.call("POST", f"/v1/cases/{CASE}/events", shock("e-2"), wanted=201)
    _retry_all(client)
    assert client.deliveries("held") == []
    there = {f"{body['resourceType']}/{body['id']}": body for body in everything_at(client.http, site.base)}
    absent = set(client.fhir(CASE)) - set(there)
    # What nothing refers to stays discarded; all else has come.
    assert absent <= set(audited_resources(client))
    assert not absent & {reference for body in there.values() for reference in references_in(body)}
    assert sum(1 for name in there if name.startswith("Procedure/")) == 3


def _until_held(client: Client) -> dict[str, Any]:
    wait_until(lambda: len(client.deliveries("held")) == 1, 8)
    return client.deliveries("held")[0]


def test_a_case_that_is_amended_after_its_delivery_was_discarded_arrives_with_all_that_waited(
    site: Site, client: Client
) -> None:
    site.server.standing = refusing_type("Patient")
    case = example("demo/case.json")
    client.call("PUT", f"/v1/cases/{CASE}", case, wanted=201)
    held = _until_held(client)
    discard(client, held)
    site.server.standing = honestly
    client.call("PUT", f"/v1/cases/{CASE}", {**case, "location": "Ward 9"})
    client.call("POST", f"/v1/cases/{CASE}/events", shock(), wanted=201)
    client.until_nothing_waits()
    assert client.deliveries("held") == []
    assert_all_there(client, site, but="Location")


def _retry_all(client: Client) -> None:
    client.until_nothing_waits()
    client.call("POST", "/v1/deliveries/retry")
    client.until_nothing_waits()
