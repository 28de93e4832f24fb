"""The whole service for the journeys: real HTTP, a store and an embedded endpoint of its own, a fixed clock."""

from __future__ import annotations

import os
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import httpx
import uvicorn
from pydantic import HttpUrl

from service.clock import Clock
from service.data_folders import data_folder
from service.exact_json import read_json, write_json
from service.main import ServeOptions, build_application
from service.settings import Settings
from tests.support.stores import rows, store_in

NOW = datetime(2031, 3, 2, 20, 50, 17, 250_000, tzinfo=UTC)
"""When everything is taken in, unless a test says otherwise: after the examples, off the round hour."""

ZONE = "Asia/Kolkata"
"""The zone of the machine while the service runs: neither UTC nor that of the examples, and half an hour off."""

_WAIT_SECONDS = 30.0


def fixed_clock() -> datetime:
    """Return the same moment at every call."""
    return NOW


def read_example(name: str) -> Any:
    """Return an example, such as `demo/events.json`, its numbers as they are written."""
    return read_json((data_folder("examples") / name).read_bytes())


@dataclass(frozen=True, slots=True)
class WholeService:
    """A service that answers, and what a test wants of it."""

    client: httpx.Client
    settings: Settings
    base: str

    def send(self, method: str, path: str, body: Any = None, **parameters: str) -> httpx.Response:
        """Return the answer to a call whose body is the JSON of `body`, every digit as it stands there."""
        return self.send_bytes(method, path, None if body is None else write_json(body), **parameters)

    def send_bytes(self, method: str, path: str, body: bytes | None, **parameters: str) -> httpx.Response:
        """Return the answer to a call whose body is these bytes."""
        headers = {} if body is None else {"Content-Type": "application/json"}
        return self.client.request(method, path, content=body, headers=headers, params=parameters or None)

    def get(self, path: str, **parameters: str) -> Any:
        """Return the JSON of an answer that must be a success, its numbers as they are written."""
        answer = self.client.get(path, params=parameters or None)
        assert answer.status_code == 200, f"GET {path}: {answer.status_code} {answer.text}"
        return read_json(answer.content)

    def open_case(self, case_id: str, **changes: Any) -> None:
        """Open a case like that of the demonstration."""
        answer = self.send("PUT", f"/v1/cases/{case_id}", {**read_example("demo/case.json"), **changes})
        assert answer.status_code in (200, 201), answer.text

    def post_event(self, case_id: str, event: dict[str, Any]) -> httpx.Response:
        """Return the answer to one event."""
        return self.send("POST", f"/v1/cases/{case_id}/events", event)

    def take_event(self, case_id: str, event: dict[str, Any]) -> dict[str, Any]:
        """Post an event that must be accepted, and return the answer's body."""
        answer = self.post_event(case_id, event)
        assert answer.status_code == 201, answer.text
        body: dict[str, Any] = answer.json()
        return body

    def post_case_example(self, name: str, case_id: str) -> None:
        """Post the case and the events of an example; all must be accepted."""
        answer = self.send("PUT", f"/v1/cases/{case_id}", read_example(f"{name}/case.json"))
        assert answer.status_code == 201, answer.text
        answer = self.send("POST", f"/v1/cases/{case_id}/events", read_example(f"{name}/events.json"))
        assert answer.status_code == 207, answer.text
        assert {outcome["outcome"] for outcome in answer.json()["outcomes"]} == {"accepted"}, answer.text

    def post_device_check(self, device_id: str = "D-3") -> dict[str, Any]:
        """Post the device and the check of the example, and return the answer to the check."""
        answer = self.send("PUT", f"/v1/devices/{device_id}", read_example("device-check/device.json"))
        assert answer.status_code in (200, 201), answer.text
        answer = self.send("POST", f"/v1/devices/{device_id}/checks", read_example("device-check/check.json"))
        assert answer.status_code == 201, answer.text
        body: dict[str, Any] = answer.json()
        return body

    def resources(self, case_id: str) -> list[dict[str, Any]]:
        """Return the resources of a case as they stand."""
        bundle = self.get(f"/v1/cases/{case_id}/fhir")
        return [entry["resource"] for entry in bundle["entry"]]

    def resources_of_event(self, case_id: str, event_id: str) -> list[dict[str, Any]]:
        """Return the resources that the Provenance of an event names as its targets, and the Provenance."""
        everything = self.resources(case_id)
        key = f"{case_id}/{event_id}"
        provenances = [
            one
            for one in everything
            if one["resourceType"] == "Provenance" and one["entity"][0]["what"]["identifier"]["value"] == key
        ]
        assert len(provenances) == 1, f"{key} has {len(provenances)} Provenances"
        targets = {target["reference"] for target in provenances[0]["target"]}
        return [one for one in everything if f"{one['resourceType']}/{one['id']}" in targets] + provenances

    def resource_of(self, case_id: str, event_id: str, resource_type: str) -> dict[str, Any]:
        """Return the one resource of a type that an event made."""
        found = [one for one in self.resources_of_event(case_id, event_id) if one["resourceType"] == resource_type]
        assert len(found) == 1, f"{event_id} made {len(found)} resources of the type {resource_type}"
        return found[0]

    def delivery_counts(self) -> dict[str, int]:
        """Return how many deliveries there are in each state."""
        counts: dict[str, int] = {"waiting": 0, "delivered": 0, "held": 0}
        after = "0"
        while True:
            page = self.get("/v1/deliveries", limit="500", after=after)
            for delivery in page["deliveries"]:
                counts[delivery["state"]] += 1
            if "next" not in page:
                return counts
            after = str(page["next"])

    def wait_until_delivered(self) -> None:
        """Return once nothing waits to be delivered; a delivery that is held fails the test."""
        deadline = time.monotonic() + _WAIT_SECONDS
        while self.get("/v1/deliveries", state="waiting", limit="1")["deliveries"]:
            assert time.monotonic() < deadline, f"not delivered in time: {self.delivery_counts()}"
            time.sleep(0.02)
        held = self.get("/v1/deliveries", state="held")["deliveries"]
        assert not held, held

    def at_endpoint(self, resource_type: str, resource_id: str) -> dict[str, Any]:
        """Return a resource as the FHIR endpoint holds it."""
        found: dict[str, Any] = self.get(f"/fhir/{resource_type}/{resource_id}")
        return found

    def entries(self, **wanted: str) -> list[dict[str, Any]]:
        """Return all entries of the audit log that the filter lets through; the reading itself is logged."""
        entries: list[dict[str, Any]] = []
        after = "0"
        while True:
            page = self.get("/v1/audit/entries", limit="1000", after=after, **wanted)
            entries.extend(page["entries"])
            if "next" not in page:
                return entries
            after = str(page["next"])

    def newest_refusal(self) -> dict[str, Any]:
        """Return the newest audit entry that tells of a refusal."""
        return self.entries(action="refused")[-1]

    def received(self, number: int) -> bytes:
        """Return the body that is kept beside an audit entry."""
        answer = self.client.get(f"/v1/audit/entries/{number}/received")
        assert answer.status_code == 200, answer.text
        return answer.content

    def rows(self, sql: str, *values: str | int) -> list[tuple[Any, ...]]:
        """Return what stands in the store, read past the service; the places of values are written `?`."""
        return rows(self.settings.store, sql, values)

    def stored_resource(self, reference: str) -> dict[str, Any]:
        """Return the newest version of a resource, as its bytes stand in the store."""
        ((body,),) = self.rows(
            "SELECT body FROM resources WHERE resource_type || '/' || resource_id = ?", reference
        )
        resource: dict[str, Any] = read_json(body)
        return resource


@contextmanager
def zone_of_machine(name: str) -> Iterator[None]:
    """Have the C library and Python take `name` for the machine's zone until the end."""
    before = os.environ.get("TZ")
    os.environ["TZ"] = name
    time.tzset()
    try:
        yield
    finally:
        if before is None:
            del os.environ["TZ"]
        else:
            os.environ["TZ"] = before
        time.tzset()


@contextmanager
def whole_service(
    settings: Settings, *, delivers: bool = True, clock: Clock = fixed_clock, token: str | None = None
) -> Iterator[WholeService]:
    """Yield a service that answers on a free port of the loopback address; it is stopped properly at the end.

    `token` is sent with every request of the client.
    """
    listener = socket.create_server(("127.0.0.1", 0))
    base = f"http://127.0.0.1:{listener.getsockname()[1]}"
    application = build_application(settings, ServeOptions(base, delivers=delivers), clock)
    server = uvicorn.Server(uvicorn.Config(application, log_config=None, access_log=False, lifespan="on"))
    thread = threading.Thread(target=server.run, args=([listener],), name="whole-service")
    headers = {"Authorization": f"Bearer {token}"} if token else {}
    with zone_of_machine(ZONE):
        thread.start()
        try:
            _wait_until_started(server, thread)
            with httpx.Client(base_url=base, headers=headers, timeout=30, trust_env=False) as client:
                yield WholeService(client, settings, base)
        finally:
            server.should_exit = True
            thread.join(timeout=20)
            listener.close()
    assert not thread.is_alive(), "the service did not stop"


def _wait_until_started(server: uvicorn.Server, thread: threading.Thread) -> None:
    deadline = time.monotonic() + _WAIT_SECONDS
    while not server.started:
        assert thread.is_alive(), "the service ended before it answered"
        assert time.monotonic() < deadline, "the service did not start in time"
        time.sleep(0.01)


def settings_in(folder: Path, destination: str | None = None) -> Settings:
    """Return settings with a store in `folder` and quick retries, for the embedded endpoint or another server."""
    return Settings(
        store=store_in(folder),
        destination=HttpUrl(destination) if destination is not None else None,
        endpoint_store=folder / "endpoint.sqlite",
        retry_first_seconds=0.05,
        retry_max_seconds=0.2,
    )
