"""Starts the embedded endpoint in a process of its own, on a free loopback port, and waits until it answers."""

from __future__ import annotations

import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx

ROOT = Path(__file__).parents[2]


@contextmanager
def started_endpoint(store_path: Path) -> Iterator[tuple[str, subprocess.Popen[bytes]]]:
    """Yield the base URL and the process; the process is ended at the end."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    process = subprocess.Popen(
        [sys.executable, "-m", "tests.support.served_endpoint", str(store_path), str(port)], cwd=ROOT
    )
    base = f"http://127.0.0.1:{port}/fhir"
    try:
        _wait_until_it_answers(base, process)
        yield base, process
    finally:
        process.kill()
        process.wait()


def _wait_until_it_answers(base: str, process: subprocess.Popen[bytes]) -> None:
    deadline = time.monotonic() + 20
    while time.monotonic() < deadline:
        if process.poll() is not None:
            raise RuntimeError("the endpoint ended before it answered")
        try:
            httpx.get(f"{base}/metadata")
        except httpx.TransportError:
            time.sleep(0.05)
        else:
            return
    raise RuntimeError("the endpoint did not answer in time")
