"""The whole service in the test's own process, delivering to a server of the test's choice, over loopback HTTP."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx
from pydantic import HttpUrl

from service.data_folders import data_folder
from service.demo import free_port
from service.exact_json import read_json, write_json
from service.main import ServeOptions, build_application
from service.settings import Settings, Strategy
from tests.support.served_in_thread import served
from tests.support.stores import store_in

JSON = {"Content-Type": "application/json"}


class Client:
    """Calls the service as its clients do."""

    def __init__(self, base: str) -> None:
        self.base = base
        self.http = httpx.Client(timeout=30, trust_env=False)

    def call(self, method: str, address: str, body: object = None, *, wanted: int = 200) -> Any:
        """Return the answer to one call, which must have the status `wanted`."""
        content = body if isinstance(body, bytes) else write_json(body) if body is not None else None
        response = self.http.request(method, self.base + address, content=content, headers=JSON)
        assert response.status_code == wanted, response.text
        return read_json(response.content)

    def deliveries(self, state: str) -> list[dict[str, Any]]:
        """Return the deliveries in one state."""
        listed: list[dict[str, Any]] = self.call("GET", f"/v1/deliveries?state={state}&limit=500")["deliveries"]
        return listed

    def counts(self) -> dict[str, int]:
        """Return how many deliveries are in each state."""
        return {state: len(self.deliveries(state)) for state in ("waiting", "held")}

    def until_nothing_waits(self, seconds: float = 10) -> None:
        """Wait until every delivery is delivered or held."""
        wait_until(lambda: not self.deliveries("waiting"), seconds, lambda: str(self.deliveries("waiting")[:3]))

    def fhir(self, case_id: str) -> dict[str, dict[str, Any]]:
        """Return the resources of a case as they stand at the service, by their references."""
        bundle = self.call("GET", f"/v1/cases/{case_id}/fhir")
        resources = [entry["resource"] for entry in bundle["entry"]]
        by_reference = {f"{resource['resourceType']}/{resource['id']}": resource for resource in resources}
        assert len(by_reference) == len(resources)
        return by_reference

    def audit(self, query: str = "") -> list[dict[str, Any]]:
        """Return the entries of the audit log."""
        entries: list[dict[str, Any]] = []
        after: int | None = 0
        while after is not None:
            page = self.call("GET", f"/v1/audit/entries?limit=500&after={after}{query}")
            entries += page["entries"]
            after = page.get("next")
        return entries


def wait_until(holds: Callable[[], bool], seconds: float, says: Callable[[], str] = lambda: "") -> None:
    """Return once something holds; fail with what `says` tells where it does not in time."""
    deadline = time.monotonic() + seconds
    while not holds():
        assert time.monotonic() < deadline, f"not within {seconds:g} seconds: {says()}"
        time.sleep(0.02)


def example(name: str) -> Any:
    """Return a shipped example."""
    return read_json((data_folder("examples") / name).read_bytes())


def open_demo(client: Client, case_id: str = "c-demo") -> None:
    """Register the device of the demonstration and open its case, and wait until both have arrived."""
    client.call("PUT", "/v1/devices/D-3", example("device-check/device.json"), wanted=201)
    client.call("PUT", f"/v1/cases/{case_id}", example("demo/case.json"), wanted=201)
    client.until_nothing_waits()


def case_of_another_patient(location: str = "Ward 9, bed 9") -> dict[str, Any]:
    """Return the case of the demonstration for another patient in another place."""
    return {
        **example("demo/case.json"),
        "patient": {"identifier": {"system": "urn:example:hospital:patients", "value": "P-another"}},
        "encounter": {"system": "urn:example:hospital:encounters", "value": "E-another"},
        "location": location,
    }


def post_demo(client: Client, case_id: str = "c-demo") -> list[dict[str, Any]]:
    """Open the case of the demonstration, post its events, and return them."""
    client.call("PUT", f"/v1/cases/{case_id}", example("demo/case.json"), wanted=201)
    events: list[dict[str, Any]] = example("demo/events.json")
    answer = client.call("POST", f"/v1/cases/{case_id}/events", events, wanted=207)
    assert {outcome["outcome"] for outcome in answer["outcomes"]} == {"accepted"}
    return events


def quick_settings(
    store: Path, destination: str | None, strategy: Strategy = Strategy.AUTO, **more: Any
) -> Settings:
    """Return settings with pauses that suit a test; `store` names the store, wherever the tests keep theirs."""
    chosen: dict[str, Any] = {"retry_first_seconds": 0.05, "retry_max_seconds": 0.2, "timeout_seconds": 10, **more}
    return Settings(
        store=store_in(store.parent, store.stem),
        endpoint_store=store.with_name("endpoint.sqlite"),
        destination=None if destination is None else HttpUrl(destination),
        strategy=strategy,
        **chosen,
    )


@contextmanager
def running_service(settings: Settings) -> Iterator[Client]:
    """Serve the service and yield a client for it."""
    port = free_port()
    base = f"http://127.0.0.1:{port}"
    with served(build_application(settings, ServeOptions(base)), port):
        client = Client(base)
        try:
            yield client
        finally:
            client.http.close()
