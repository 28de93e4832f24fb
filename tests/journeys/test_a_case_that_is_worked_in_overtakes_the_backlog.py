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


def _patients_in_order(site: Site) -> list[str]:
    """Return the patients' identifiers in the order in which the server met them."""
    return [
        identifier["value"]
        for body in site.server.posts
        for entry in read_json(body)["entry"]
        if entry["resource"]["resourceType"] == "Patient"
        for identifier in entry["resource"]["identifier"]
        if identifier["system"] == "urn:example:hospital:patients"
    ]


def test_the_case_at_hand_goes_first_then_the_oldest(site: Site, tmp_path: Path) -> None:
    moments = [NOW]

    def clock() -> datetime:
        return moments[-1]

    settings: Settings = quick_settings(tmp_path / "s.sqlite", site.base, connections=1)
    site.down()
    with whole_service(settings, clock=clock) as service:
        for number in range(CLOSED):
            assert service.send("PUT", f"/v1/cases/c-{number}", _case(str(number))).status_code == 201
        moments.append(NOW + timedelta(minutes=30))
        assert service.send("PUT", "/v1/cases/c-now", _case("now")).status_code == 201
        assert service.post_event("c-now", read_example("demo/events.json")[0]).status_code == 201
        site.up()
        moments.append(NOW + timedelta(minutes=31))
        service.wait_until_delivered()
    assert _patients_in_order(site) == ["P-now", *(f"P-{number}" for number in range(CLOSED))]
