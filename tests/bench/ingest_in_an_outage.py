"""Measures what an outage of the destination does to the time in which events are taken.

    python -m tests.bench.ingest_in_an_outage

One `serve` process with its worker, over a fresh SQLite store, delivers to a server that only answers. wrk posts
single events over a few connections, which leaves the processors time to spare as a hospital does; after each run
with the server up follows one with nothing listening there. The ratio is that of the medians of the p99.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from service.demo import free_port
from tests.bench.durable_ingest import ROOT, Run, generate, started

RUNS = 5
SECONDS = 6
CONNECTIONS = 4


@contextmanager
def _answering(port: int, *, is_up: bool) -> Iterator[None]:
    if not is_up:
        yield
        return
    process = subprocess.Popen([sys.executable, "-m", "tests.bench.answering_server", str(port)], cwd=ROOT)
    try:
        yield
    finally:
        process.kill()
        process.wait()


def one_run(number: int, *, is_up: bool) -> Run:
    """Return one run, after a short one that warms everything up."""
    port = free_port()
    destination = {"RESUS_DESTINATION": f"http://127.0.0.1:{port}/fhir"}
    with (
        _answering(port, is_up=is_up),
        tempfile.TemporaryDirectory(prefix="resus-outage-") as folder,
        started(("-m", "service", "serve", "--port"), Path(folder), destination) as base,
    ):
        generate(base, 2, f"warm{number}", CONNECTIONS)
        return generate(base, SECONDS, f"run{number}", CONNECTIONS)


def measure(runs: int = RUNS) -> tuple[list[Run], list[Run]]:
    """Return the runs with the server up and those with it down, taken in turns."""
    up: list[Run] = []
    down: list[Run] = []
    for number in range(runs):
        up.append(one_run(number, is_up=True))
        down.append(one_run(number, is_up=False))
    return up, down


def main() -> None:
    """Measure and print."""
    up, down = measure()
    print(f"single events, {CONNECTIONS} connections, {RUNS} runs of {SECONDS} s each, medians")
    for name, runs in (("destination up", up), ("destination down", down)):
        rate, p50, p99 = (
            statistics.median(getattr(run, field) for run in runs)
            for field in ("events_a_second", "p50_ms", "p99_ms")
        )
        print(f"  {name:18} {rate:7.0f} events/s  p50 {p50:6.1f} ms  p99 {p99:6.1f} ms")
    ratio = statistics.median(run.p99_ms for run in down) / statistics.median(run.p99_ms for run in up)
    print(f"  p99 down over up   {ratio:7.2f} (goal at most 1.1)")


if __name__ == "__main__":
    main()
