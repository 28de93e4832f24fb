"""The service as a process that is killed and started again, and a client that repeats until it is answered."""

from __future__ import annotations

import os
import random
import subprocess
import sys
import threading
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx

from service.demo import free_port
from service.exact_json import read_json, write_json
from tests.support.delivering_service import JSON, Client, example
from tests.support.stores import store_in

ROOT = Path(__file__).parents[2]
_START_SECONDS = 60.0
CORRECTIONS = ("correction 1", "correction 2")


def run_service_command(
    environment: Mapping[str, str], *arguments: str, timeout_seconds: float
) -> subprocess.CompletedProcess[str]:
    """Return how a command of the service ended."""
    return subprocess.run(
        [sys.executable, "-m", "service", *arguments],
        cwd=ROOT,
        env=environment,
        capture_output=True,
        text=True,
        timeout=timeout_seconds,
        check=False,
    )


class ServiceProcess:
    """`python -m service serve` over a folder of its own: its store, its endpoint's store and its log."""

    def __init__(self, folder: Path) -> None:
        self.port = free_port()
        self.base = f"http://127.0.0.1:{self.port}"
        self._folder = folder
        self._environment = {name: value for name, value in os.environ.items() if not name.startswith("RESUS_")}
        self._environment |= {
            "RESUS_STORE": str(store_in(folder, "service")),
            "RESUS_ENDPOINT_STORE": str(folder / "endpoint.sqlite"),
            "RESUS_RETRY_FIRST_SECONDS": "0.1",
            "RESUS_RETRY_MAX_SECONDS": "1",
        }
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start the service; return at once."""
        with (self._folder / "service.log").open("ab") as log:
            self._process = subprocess.Popen(
                [sys.executable, "-m", "service", "serve", "--port", str(self.port)],
                cwd=ROOT,
                env=self._environment,
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
            )

    def wait_until_ready(self) -> None:
        """Return once the service takes requests; fail where it ends or takes too long."""
        deadline = time.monotonic() + _START_SECONDS
        with httpx.Client(trust_env=False, timeout=5) as client:
            while time.monotonic() < deadline:
                if self._process is not None and self._process.poll() is not None:
                    raise RuntimeError(f"the service ended by itself:\n{self._log()}")
                try:
                    if client.get(f"{self.base}/health/ready").status_code == 200:
                        return
                except httpx.TransportError:
                    time.sleep(0.02)
        raise RuntimeError(f"the service was not ready in time:\n{self._log()}")

    def _log(self) -> str:
        return (self._folder / "service.log").read_text(encoding="utf-8", errors="replace")[-2000:]

    def kill(self) -> None:
        """End the service as a power cut of the process would (SIGKILL)."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()

    def run_command(self, *arguments: str) -> subprocess.CompletedProcess[str]:
        """Run another command of the service over the same store."""
        return run_service_command(self._environment, *arguments, timeout_seconds=120)


@dataclass(slots=True)
class Acknowledged:
    """What the service said that it has taken: the newest version of each event, by case."""

    versions: dict[str, dict[str, int]] = field(default_factory=dict)
    corrected: set[str] = field(default_factory=set)
    """The Observations of the events that were corrected, each with all of CORRECTIONS."""
    resources: set[str] = field(default_factory=set)
    repeats: int = 0

    @property
    def events(self) -> int:
        """Return how many events were acknowledged."""
        return sum(len(events) for events in self.versions.values())


class Load(threading.Thread):
    """A documentation client: case after case of the demonstration, each call repeated until it is answered."""

    def __init__(self, *bases: str, name: str = "load", timeout_seconds: float = 10) -> None:
        super().__init__(name=name, daemon=True)
        self._bases = bases
        self._at = 0
        self._http = httpx.Client(timeout=timeout_seconds, trust_env=False)
        self._ending = threading.Event()
        self.acknowledged = Acknowledged()
        self.failure: str | None = None

    def finish(self) -> Acknowledged:
        """Have the client end with the case that it is at, and return what was acknowledged."""
        self._ending.set()
        self.join()
        self._http.close()
        if self.failure is not None:
            raise AssertionError(self.failure)
        return self.acknowledged

    def run(self) -> None:
        """Play cases until told to finish."""
        number = 0
        try:
            while not self._ending.is_set():
                self._play_case(f"c-{number}", number)
                number += 1
        except Exception as failed:
            self.failure = f"{type(failed).__name__}: {failed}"

    def _call(self, method: str, address: str, body: object, wanted: set[int]) -> Any:
        """Return the answer to a call, which goes to the next service wherever one does not take it."""
        while True:
            base = self._bases[self._at % len(self._bases)]
            try:
                response = self._http.request(method, base + address, content=write_json(body), headers=JSON)
            except httpx.TransportError:
                self._repeat()
                continue
            if response.status_code == 503:
                self._repeat()
                continue
            assert response.status_code in wanted, f"{method} {address}: {response.status_code} {response.text}"
            return read_json(response.content)

    def _repeat(self) -> None:
        self.acknowledged.repeats += 1
        self._at += 1
        time.sleep(0.02)

    def _play_case(self, case_id: str, number: int) -> None:
        case = example("demo/case.json")
        case["patient"]["identifier"]["value"] = f"P-{number}"
        case["encounter"]["value"] = f"E-{number}"
        self._call("PUT", f"/v1/cases/{case_id}", case, {200, 201})
        versions = self.acknowledged.versions.setdefault(case_id, {})
        for event in example("demo/events.json"):
            self._take(self._call("POST", f"/v1/cases/{case_id}/events", event, {201}), versions)
            if event["kind"] == "rhythm_assessed":
                for note in CORRECTIONS:
                    address = f"/v1/cases/{case_id}/events/{event['id']}?reason=test"
                    answer = self._call("PUT", address, {**event, "note": note}, {200})
                    self._take(answer, versions)
                self.acknowledged.corrected.update(
                    reference for reference in answer["resources"] if reference.startswith("Observation/")
                )

    def _take(self, answer: dict[str, Any], versions: dict[str, int]) -> None:
        assert answer["outcome"] in {"accepted", "duplicate"}, answer
        versions[answer["id"]] = answer["version"]
        self.acknowledged.resources.update(answer["resources"])


def kill_often(service: ServiceProcess, kills: int, chance: random.Random) -> Acknowledged:
    """Kill the service at random moments under load, starting it again each time; it runs when this returns."""
    service.start()
    service.wait_until_ready()
    load = Load(service.base)
    load.start()
    for number in range(kills):
        if number % 5 == 4:
            # Any moment of a start, too: the store is opened, what was under way is taken up again.
            time.sleep(chance.uniform(0.0, 2.0))
        else:
            service.wait_until_ready()
            time.sleep(chance.uniform(0.0, 1.0))
        service.kill()
        service.start()
    service.wait_until_ready()
    return load.finish()


def notes_in_history(client: Client, base: str, reference: str) -> list[str]:
    """Return the note of each version of a resource that the endpoint keeps, oldest first."""
    newest = int(client.http.get(f"{base}/{reference}").json()["meta"]["versionId"])
    versions = [client.http.get(f"{base}/{reference}/_history/{number}").json() for number in range(1, newest + 1)]
    return [body["note"][0]["text"] if "note" in body else "" for body in versions]
