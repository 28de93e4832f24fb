"""Measures the time from starting the service to its first answer: python -m tests.bench.start_up.

The process is `resus-fhir serve` with default settings over a store that is there already; the answer is that of
GET /health/live. What cannot be faster than itself is measured beside it, in turns: a Python that imports the
libraries that such a service stands on, and ends. Every module is compiled before anything is measured, into a
folder of its own. The numbers are times on the clock, so that a busy machine shows.
"""

from __future__ import annotations

import http.client
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from service.demo import free_port

ROOT = Path(__file__).parents[2]
GOAL_SECONDS = 2.0
RUNS = 7
LIBRARIES = "import fastapi, sqlalchemy, pydantic_settings, uvicorn"


@dataclass(frozen=True, slots=True)
class Measured:
    """Seconds of each run: until the first answer, to import the libraries, to check the mapping data."""

    first_answer: Sequence[float]
    libraries: Sequence[float]
    mappings_check: Sequence[float]

    @property
    def ratio(self) -> float:
        """Return how many times the libraries' import a start takes."""
        return statistics.median(self.first_answer) / statistics.median(self.libraries)


def _environment(folder: Path) -> dict[str, str]:
    """Return the environment of a started process: no setting but the store, and a place for compiled modules."""
    kept = {name: value for name, value in os.environ.items() if not name.startswith("RESUS_")}
    kept.pop("PYTHONDONTWRITEBYTECODE", None)
    return {**kept, "RESUS_STORE": str(folder / "store.sqlite"), "PYTHONPYCACHEPREFIX": str(folder / "compiled")}


def seconds_to_first_answer(environment: Mapping[str, str]) -> float:
    """Return the time from the start of a service to its first answer; the service is stopped again."""
    port = free_port()
    begun = time.perf_counter()
    process = subprocess.Popen(
        [sys.executable, "-m", "service", "serve", "--port", str(port)], cwd=ROOT, env=environment
    )
    try:
        while not _answers(port):
            if process.poll() is not None:
                raise RuntimeError("the service ended before it answered")
            time.sleep(0.005)
        return time.perf_counter() - begun
    finally:
        process.terminate()
        process.wait()


def _answers(port: int) -> bool:
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=10)
    try:
        connection.request("GET", "/health/live")
        return connection.getresponse().status == 200
    except ConnectionRefusedError:
        return False
    finally:
        connection.close()


def seconds_to_end(arguments: Sequence[str], environment: Mapping[str, str]) -> float:
    """Return the time that a Python takes for its whole life; RuntimeError where it fails."""
    begun = time.perf_counter()
    subprocess.run([sys.executable, *arguments], cwd=ROOT, env=environment, check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - begun


def measure(runs: int = RUNS) -> Measured:
    """Return what each run took, after one of each that compiles the modules and makes the store."""
    with tempfile.TemporaryDirectory(prefix="resus-fhir-start-") as folder:
        environment = _environment(Path(folder))
        rounds = [
            (
                seconds_to_first_answer(environment),
                seconds_to_end(["-c", LIBRARIES], environment),
                seconds_to_end(["-m", "service", "mappings", "check"], environment),
            )
            for _ in range(runs + 1)
        ]
    first_answer, libraries, mappings_check = zip(*rounds[1:], strict=True)
    return Measured(first_answer, libraries, mappings_check)


def _row(what: str, seconds: Sequence[float]) -> str:
    best, middle = min(seconds), statistics.median(seconds)
    return f"  {what:24}{best:6.2f} s at best, {middle:5.2f} s median of {len(seconds)} runs"


def main() -> None:
    """Measure and print."""
    measured = measure()
    print("from the start of the process, every module compiled")
    print(f"{_row('serve, first answer', measured.first_answer)} (goal {GOAL_SECONDS:g} s)")
    print(_row("mappings check, whole", measured.mappings_check))
    print(_row("the libraries' import", measured.libraries))
    print(f"  serve takes {measured.ratio:.2f} times what importing its libraries takes")


if __name__ == "__main__":
    main()
