"""After an outage what is recorded now reaches the chart before the backlog of the cases that are over."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from service.exact_json import read_json
from service.settings import Settings
from tests.support.delivering_service import case_of_another_patient, quick_settings
from tests.support.faulty_fhir_server import Site, faulty_server
from tests.support.whole_service import NOW, read_example, whole_service

CLOSED = 6


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    with faulty_server(tmp_path / "server.sqlite") as opened:
        yield opened


def _case(name: str) -> dict[str, Any]:
    case = case_of_another_patient(f"Ward {name}")
    case["patient"]["identifier"]["value"] = f"P-{name}"
    case["encounter"]["value"] = f"E-{name}"
    return case


def _in_order(site: Site, resource_type: str, system: str) -> list[str]:
    """Return the identifiers of resources of a type in the order in which the server met them."""
    return [
        identifier["value"]
        for body in site.server.posts
        for entry in read_json(body)["entry"]
        if entry["resource"]["resourceType"] == resource_type
        for identifier in entry["resource"]["identifier"]
        if identifier["system"] == system
    ]


def _after_an_outage(site: Site, tmp_path: Path, at_hand: dict[str, Any]) -> None:
    """Open cases while the server is away, half an hour later the one at hand, and have the server come back."""
    moments = [NOW]

    def clock() -> datetime:
        return moments[-1]

    settings: Settings = quick_settings(tmp_path / "s.sqlite", site.base, connections=1)
    site.down()
    with whole_service(settings, clock=clock) as service:
        for number in range(CLOSED):
            assert service.send("PUT", f"/v1/cases/c-{number}", _case(str(number))).status_code == 201
        moments.append(NOW + timedelta(minutes=30))
        assert service.send("PUT", "/v1/cases/c-now", at_hand).status_code == 201
        assert service.post_event("c-now", read_example("demo/events.json")[0]).status_code == 201
        site.up()
        moments.append(NOW + timedelta(minutes=31))
        service.wait_until_delivered()


def test_the_case_at_hand_goes_first_then_the_oldest(site: Site, tmp_path: Path) -> None:
    _after_an_outage(site, tmp_path, _case("now"))
    patients = _in_order(site, "Patient", "urn:example:hospital:patients")
    assert patients == ["P-now", *(f"P-{number}" for number in range(CLOSED))]


def test_the_case_that_brings_its_patient_goes_before_it(site: Site, tmp_path: Path) -> None:
    system = "urn:example:hospital:encounters"
    at_hand = _case("4")
    at_hand["encounter"] = {"system": system, "value": "E-now"}
    _after_an_outage(site, tmp_path, at_hand)
    encounters = _in_order(site, "Encounter", system)
    assert encounters == ["E-4", "E-now", *(f"E-{number}" for number in range(CLOSED) if number != 4)]
