"""A destination that lacks a type gets everything else, with identifiers for references; the log says so."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from service.audit.verify_chain import ChainReport, verify_chain
from service.settings import Settings, Strategy
from service.storage.store import Store
from tests.support.delivering_service import post_demo, quick_settings, running_service
from tests.support.faulty_fhir_server import faulty_server, refusing_type
from tests.support.fhir_search import everything_at


def _references(value: Any) -> list[dict[str, Any]]:
    if isinstance(value, list):
        return [found for item in value for found in _references(item)]
    if isinstance(value, dict):
        own = [value] if "reference" in value or ("identifier" in value and "type" in value) else []
        return own + [found for member in value.values() for found in _references(member)]
    return []


@pytest.mark.parametrize("strategy", [Strategy.CLIENT_IDS, Strategy.CONDITIONAL_CREATE])
def test_everything_but_the_type_arrives_and_what_refers_to_it_names_its_identifier(
    strategy: Strategy, tmp_path: Path
) -> None:
    with faulty_server(tmp_path / "server.sqlite") as site:
        site.server.standing = refusing_type("Location")
        settings = quick_settings(tmp_path / "s.sqlite", site.base, strategy, leave_out_types="Location")
        with running_service(settings) as client:
            post_demo(client)
            client.until_nothing_waits()
            assert client.deliveries("held") == []
            made = client.fhir("c-demo")
            there = everything_at(client.http, site.base)
            (location,) = [body for body in made.values() if body["resourceType"] == "Location"]
            assert [body for body in there if body["resourceType"] == "Location"] == []
            logical = [one for body in there for one in _references(body) if one.get("type") == "Location"]
            assert logical
            for one in logical:
                assert "reference" not in one
                assert one["identifier"] == {"system": "urn:ietf:rfc:3986", "value": f"urn:uuid:{location['id']}"}
            logged = [entry["detail"].get("left_out", []) for entry in client.audit("&action=outcome")]
            assert f"Location/{location['id']}" in [reference for one in logged for reference in one]


def test_a_delivery_of_which_nothing_is_sent_is_listed_as_left_out_and_what_waits_for_it_goes_on(
    tmp_path: Path,
) -> None:
    with faulty_server(tmp_path / "server.sqlite") as site:
        settings = quick_settings(tmp_path / "s.sqlite", site.base, leave_out_types="Device,DeviceMetric")
        with running_service(settings) as client:
            device = {"type": "defibrillator", "serial": "1", "location": "Ward 4"}
            client.call("PUT", "/v1/devices/D-3", device, wanted=201)
            # The correction waits for the first version, the events for both.
            client.call("PUT", "/v1/devices/D-3", {**device, "location": "Ward 5"})
            post_demo(client)
            client.until_nothing_waits()
            assert client.deliveries("held") == []
            left_out = client.deliveries("left-out")
            assert {one["record"] for one in left_out} >= {"device:D-3"}
            logged = {
                number
                for entry in client.audit("&action=outcome&outcome=left-out")
                for number in entry["detail"]["deliveries"]
            }
            assert logged == {one["id"] for one in left_out}
            assert not logged & {one["id"] for one in client.deliveries("delivered")}
            assert client.call("GET", "/v1/cases/c-demo")["delivery"]["delivered"] > 0
        report = verify_store(settings)
        assert report.faults == ()


def test_without_the_setting_what_the_destination_refuses_is_held(tmp_path: Path) -> None:
    with faulty_server(tmp_path / "server.sqlite") as site:
        site.server.standing = refusing_type("Device")
        with running_service(quick_settings(tmp_path / "s.sqlite", site.base)) as client:
            client.call(
                "PUT", "/v1/devices/D-1", {"type": "defibrillator", "serial": "1", "location": "Ward 4"}, wanted=201
            )
            client.until_nothing_waits()
            (held,) = client.deliveries("held")
            assert held["outcome"]["issue"][0]["code"] == "business-rule"


def verify_store(settings: Settings) -> ChainReport:
    store = Store(settings.store)
    store.open()
    try:
        return store.read_now(verify_chain)
    finally:
        store.close()
