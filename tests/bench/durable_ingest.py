"""Measures single events taken durably against the same application without its store.

    python -m tests.bench.durable_ingest

Both are started alike, without delivery, over a fresh folder for each run; wrk posts single rhythm events with ids
that never repeat over 64 connections from the same machine, so the generator takes its share of the processors from
both alike. Runs alternate; the ratio is that of the medians, once with one case and once with 64 cases. What the
other side leaves out is said in tests/bench/serve_without_writing.py.

Beside that: arrays of 500 events, one after the other; and what 64 single posts that wait together cost a SQLite
store, in statements and in bytes of its write-ahead log.
"""

from __future__ import annotations

import asyncio
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
from functools import partial
from pathlib import Path

import httpx

from service.data_folders import data_folder
from service.demo import free_port
from service.intake.read_record import read_event
from service.making.stages import Stages, load_stages
from service.records.receipts import Receipt
from service.records.record_keys import event_key
from service.storage.sqlite_database import SqliteConnection
from service.storage.statements import Transaction
from service.storage.store import Store
from service.taking.submissions import Submission
from service.taking.take_events import SentEvent, take_posted
from tests.bench.growth import START, open_case

ROOT = Path(__file__).parents[2]
SCRIPT = Path(__file__).with_name("post_events.lua")
GOAL = 0.75
RUNS = 5
SECONDS = 6
CONNECTIONS = 64
JSON = {"Content-Type": "application/json"}
CASES = (1, 64)
ARRAY = 500

DURABLE = ("-m", "service", "serve", "--no-deliver", "--port")
WITHOUT = ("-m", "tests.bench.serve_without_writing")


@dataclass(frozen=True, slots=True)
class Run:
    """One run of the generator."""

    events_a_second: float
    p50_ms: float
    p99_ms: float


def rhythm(name: str) -> dict[str, object]:
    """Return a rhythm event."""
    return {"id": name, "kind": "rhythm_assessed", "at": "2031-03-02T10:02:05+01:00", "rhythm": "asystole"}


@contextmanager
def started(
    arguments: tuple[str, ...], folder: Path, settings: Mapping[str, str] | None = None, cases: int = 1
) -> Iterator[str]:
    """Yield the base URL of a service with open cases of one event each; it is ended at the end."""
    port = free_port()
    environment = {name: value for name, value in os.environ.items() if not name.startswith("RESUS_")}
    environment |= {"RESUS_STORE": str(folder / "service.sqlite"), "BENCH_CASES": str(cases), **(settings or {})}
    process = subprocess.Popen([sys.executable, *arguments, str(port)], cwd=ROOT, env=environment)
    base = f"http://127.0.0.1:{port}"
    try:
        with httpx.Client(base_url=base, trust_env=False, timeout=10) as client:
            _wait_until_ready(client, process)
            case = (data_folder("examples") / "demo" / "case.json").read_bytes()
            for number in range(cases):
                answer = client.put(f"/v1/cases/c-bench-{number}", content=case, headers=JSON)
                assert answer.status_code == 201, answer.text
            for number in range(cases):
                answer = client.post(f"/v1/cases/c-bench-{number}/events", json=rhythm("first"))
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


def generate(base: str, seconds: int, name: str, connections: int = CONNECTIONS, cases: int = 1) -> Run:
    """Return what the generator measured; AssertionError where an event was not taken."""
    wrk = shutil.which("wrk")
    if wrk is None:
        raise SystemExit("wrk generates the load and is not installed: apt-get install wrk")
    outcome = subprocess.run(
        [wrk, "-t2", f"-c{connections}", f"-d{seconds}s", "--timeout", "10s",
         "-s", str(SCRIPT), base, "--", name, str(cases)],
        capture_output=True, text=True, check=True, timeout=seconds + 60,
    )  # fmt: skip
    told = json.loads(outcome.stdout.splitlines()[-1])
    assert told["wrong_status"] == 0, outcome.stdout
    assert told["broken"] == 0, outcome.stdout
    return Run(told["requests"] / told["seconds"], told["p50_ms"], told["p99_ms"])


def one_run(arguments: tuple[str, ...], seconds: int, number: int, cases: int = 1) -> Run:
    """Return one run over a fresh store, after a short one that warms everything up."""
    with (
        tempfile.TemporaryDirectory(prefix="resus-bench-") as folder,
        started(arguments, Path(folder), cases=cases) as base,
    ):
        generate(base, 1, f"warm{number}", cases=cases)
        return generate(base, seconds, f"run{number}", cases=cases)


def measure(runs: int = RUNS, seconds: int = SECONDS, cases: int = 1) -> tuple[list[Run], list[Run]]:
    """Return the runs with the store and those without, taken in turns."""
    durable: list[Run] = []
    without: list[Run] = []
    for number in range(runs):
        durable.append(one_run(DURABLE, seconds, number, cases))
        without.append(one_run(WITHOUT, seconds, number, cases))
    return durable, without


def arrays_a_second(arrays: int = 20) -> list[float]:
    """Return the events a second of each array of 500 that is posted to a running service, over one connection."""
    with tempfile.TemporaryDirectory(prefix="resus-bench-") as folder, started(DURABLE, Path(folder)) as base:
        rates: list[float] = []
        with httpx.Client(base_url=base, trust_env=False, timeout=60) as client:
            for number in range(arrays):
                body = json.dumps([rhythm(f"a-{number}-{place}") for place in range(ARRAY)]).encode()
                began = time.perf_counter()
                answer = client.post("/v1/cases/c-bench-0/events", content=body, headers=JSON)
                rates.append(ARRAY / (time.perf_counter() - began))
                assert {one["outcome"] for one in answer.json()["outcomes"]} == {"accepted"}
        return rates


def costs_of_a_group(cases: int, posts: int = 64 * 20) -> tuple[float, float]:
    """Return statements, and bytes of the write-ahead log, for each single event of those that wait together."""
    stages = load_stages("urn:example:resus")
    take = partial(take_posted, stages)
    with tempfile.TemporaryDirectory(prefix="resus-bench-") as folder:
        file = Path(folder) / "service.sqlite"
        store = Store(file)
        store.open()
        counted: list[str] = []

        def prepare(_: Transaction) -> None:
            connection = store._connection_of_thread("writer")
            assert isinstance(connection, SqliteConnection)
            connection._connection.execute("PRAGMA wal_autocheckpoint = 0")
            connection._connection.set_trace_callback(counted.append)

        async def post_all() -> None:
            sent = [(f"c-{number % cases}", f"e-{number}") for number in range(posts)]
            for first in range(0, posts, 64):
                group = sent[first : first + 64]
                await asyncio.gather(
                    *(store.write_jointly(take, (case, sent_event(stages, case, name))) for case, name in group)
                )

        for number in range(cases):
            open_case(store, stages, f"c-{number}")
        store.write_now(prepare)
        before = file.with_name("service.sqlite-wal").stat().st_size
        counted.clear()
        asyncio.run(post_all())
        written = file.with_name("service.sqlite-wal").stat().st_size - before
        store.close()
        return len(counted) / posts, written / posts


def sent_event(stages: Stages, case_id: str, name: str) -> SentEvent:
    """Return a rhythm event as its route hands it on."""
    read = read_event(rhythm(name), stages.vocabulary)
    return SentEvent(Submission(Receipt("bench", START), event_key(case_id, name), b"", case_id), read)


def ratio_of(durable: list[Run], without: list[Run]) -> float:
    """Return the ratio of the median throughputs."""
    return _rate(durable) / _rate(without)


def _rate(runs: list[Run]) -> float:
    return statistics.median(run.events_a_second for run in runs)


def main() -> None:
    """Measure and print."""
    print(f"single events, {CONNECTIONS} connections, {RUNS} runs of {SECONDS} s each, medians")
    for cases in CASES:
        durable, without = measure(cases=cases)
        print(f" {cases} cases")
        for name, runs in (("durable", durable), ("without the store", without)):
            p50, p99 = (statistics.median(getattr(run, field) for run in runs) for field in ("p50_ms", "p99_ms"))
            rates = ", ".join(f"{run.events_a_second:.0f}" for run in runs)
            print(f"  {name:18} {_rate(runs):7.0f} events/s  p50 {p50:6.1f} ms  p99 {p99:6.1f} ms  ({rates})")
        print(f"  ratio              {ratio_of(durable, without):7.2f} (goal {GOAL:g})")
        statements, written = costs_of_a_group(cases)
        print(f"  a single event of 64 that wait together: {statements:.1f} statements, {written:.0f} bytes of log")
    arrays = arrays_a_second()
    middle = statistics.median(arrays)
    print(f"arrays of {ARRAY}: {middle:.0f} events/s, from {min(arrays):.0f} to {max(arrays):.0f} (goal 4000)")


if __name__ == "__main__":
    main()
