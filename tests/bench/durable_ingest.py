"""Measures single events taken durably against the same application without its store.

    python -m tests.bench.durable_ingest

Both are started alike, without delivery, over a fresh folder for each run; wrk posts single rhythm events with ids
that never repeat over 64 connections from the same machine, so the generator takes its share of the processors from
both alike. Runs alternate; the ratio is that of the medians. What the other side leaves out is said in
tests/bench/serve_without_writing.py.
"""

from __future__ import annotations

import json
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import httpx

from service.data_folders import data_folder
from service.demo import free_port

ROOT = Path(__file__).parents[2]
SCRIPT = Path(__file__).with_name("post_events.lua")
GOAL = 0.7
RUNS = 5
SECONDS = 6
CONNECTIONS = 64
JSON = {"Content-Type": "application/json"}
CASE = "/v1/cases/c-bench"

DURABLE = ("-m", "service", "serve", "--no-deliver", "--port")
WITHOUT = ("-m", "tests.bench.serve_without_writing")


@dataclass(frozen=True, slots=True)
class Run:
    """One run of the generator."""

    events_a_second: float
    p50_ms: float
    p99_ms: float


@contextmanager
def started(arguments: tuple[str, ...], folder: Path, settings: Mapping[str, str] | None = None) -> Iterator[str]:
    """Yield the base URL of a service with an open case of one event; it is ended at the end."""
    port = free_port()
    environment = {name: value for name, value in os.environ.items() if not name.startswith("RESUS_")}
    environment |= {"RESUS_STORE": str(folder / "service.sqlite"), **(settings or {})}
    process = subprocess.Popen([sys.executable, *arguments, str(port)], cwd=ROOT, env=environment)
    base = f"http://127.0.0.1:{port}"
    try:
        with httpx.Client(base_url=base, trust_env=False, timeout=10) as client:
            _wait_until_ready(client, process)
            case = (data_folder("examples") / "demo" / "case.json").read_bytes()
            assert client.put(CASE, content=case, headers=JSON).status_code == 201
            first = {"id": "first", "kind": "rhythm_assessed", "at": "2031-03-02T10:02:05+01:00"}
            answer = client.post(f"{CASE}/events", json=first)
            assert answer.status_code == 201, answer.text
        yield base
    finally:
        process.kill()
        process.wait()


def _wait_until_ready(client: httpx.Client, process: subprocess.Popen[bytes]) -> None:
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline:
        if process.poll() is not None:
            raise RuntimeError("the service ended before it was ready")
        try:
            if client.get("/health/ready").status_code == 200:
                return
        except httpx.TransportError:
            time.sleep(0.05)
    raise RuntimeError("the service was not ready in time")


def generate(base: str, seconds: int, name: str, connections: int = CONNECTIONS) -> Run:
    """Return what the generator measured; AssertionError where an event was not taken."""
    wrk = shutil.which("wrk")
    if wrk is None:
        raise SystemExit("wrk generates the load and is not installed: apt-get install wrk")
    outcome = subprocess.run(
        [wrk, "-t2", f"-c{connections}", f"-d{seconds}s", "--timeout", "10s",
         "-s", str(SCRIPT), f"{base}{CASE}/events", "--", name],
        capture_output=True, text=True, check=True, timeout=seconds + 60,
    )  # fmt: skip
    told = json.loads(outcome.stdout.splitlines()[-1])
    assert told["wrong_status"] == 0, outcome.stdout
    assert told["broken"] == 0, outcome.stdout
    return Run(told["requests"] / told["seconds"], told["p50_ms"], told["p99_ms"])


def one_run(arguments: tuple[str, ...], seconds: int, number: int) -> Run:
    """Return one run over a fresh store, after a short one that warms everything up."""
    with tempfile.TemporaryDirectory(prefix="resus-bench-") as folder, started(arguments, Path(folder)) as base:
        generate(base, 1, f"warm{number}")
        return generate(base, seconds, f"run{number}")


def measure(runs: int = RUNS, seconds: int = SECONDS) -> tuple[list[Run], list[Run]]:
    """Return the runs with the store and those without, taken in turns."""
    durable: list[Run] = []
    without: list[Run] = []
    for number in range(runs):
        durable.append(one_run(DURABLE, seconds, number))
        without.append(one_run(WITHOUT, seconds, number))
    return durable, without


def ratio_of(durable: list[Run], without: list[Run]) -> float:
    """Return the ratio of the median throughputs."""
    return _rate(durable) / _rate(without)


def _rate(runs: list[Run]) -> float:
    return statistics.median(run.events_a_second for run in runs)


def main() -> None:
    """Measure and print."""
    durable, without = measure()
    print(f"single events, {CONNECTIONS} connections, {RUNS} runs of {SECONDS} s each, medians")
    for name, runs in (("durable", durable), ("without the store", without)):
        p50, p99 = (statistics.median(getattr(run, field) for run in runs) for field in ("p50_ms", "p99_ms"))
        rates = ", ".join(f"{run.events_a_second:.0f}" for run in runs)
        print(f"  {name:18} {_rate(runs):7.0f} events/s  p50 {p50:6.1f} ms  p99 {p99:6.1f} ms  ({rates})")
    print(f"  ratio              {ratio_of(durable, without):7.2f} (goal {GOAL:g})")


if __name__ == "__main__":
    main()
