"""Measures how fast a waiting backlog leaves: against a server that only answers, or any other FHIR server.

    python -m tests.bench.drain_backlog [--resources 20000] [--workers 1] [--entries 20] [--store URL] [--cold]
        [--server answering|sekmet|hapi-jpa] [--pairs N]

A backlog of invented cases is taken in by a service without a worker. Then workers (`resus-fhir deliver`, each a
process) are started while nothing listens at the destination, until the second reader has read all of it ahead, as
it does in an outage; with `--cold` that is left out. Then the server is started, and the time from the first
attempt to the last outcome in the audit log is taken. The memory (resident) of the largest worker is taken before,
in the middle and at the end. For comparison the same Bundles are sent once more by bare httpx over the same number
of connections, to a fresh server at the same address. Where others use the machine too, what each of
the two took of a processor says more than the time. With `--pairs N` all of this is done N times, so that drain and
replay alternate; each pair is printed, and the middle ratio at the end.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx

from service.data_folders import data_folder
from service.demo import free_port
from service.exact_json import read_json, write_json
from service.records.instants import parse_instant
from tests.support.stores import rows
from tests.support.third_party_servers import start_hapi_jpa, start_sekmet

ROOT = Path(__file__).parents[2]
JSON = {"Content-Type": "application/json"}
_WAIT_SECONDS = 1800.0


@dataclass(frozen=True, slots=True)
class Drained:
    """What was measured; rates are resources a second, memory is in mebibytes."""

    resources: int
    bundles: int
    resources_a_second: float
    bare_resources_a_second: float
    read_ahead_seconds: float
    memory: tuple[float, float, float]
    processor_seconds: float
    """What the workers took of the processors while they sent."""
    bare_processor_seconds: float
    """What the bare replay took of them."""

    @property
    def ratio(self) -> float:
        """Return the rate as a share of that of the bare replay."""
        return self.resources_a_second / self.bare_resources_a_second


class Processes:
    """The processes of one run, all ended at its end."""

    def __init__(self, folder: Path, store: str, more: dict[str, str]) -> None:
        self._log = (folder / "processes.log").open("ab")
        kept = {name: value for name, value in os.environ.items() if not name.startswith("RESUS_")}
        self._environment = {**kept, "RESUS_STORE": store, **more}
        self._running: list[subprocess.Popen[bytes]] = []

    def start(self, *arguments: str) -> subprocess.Popen[bytes]:
        """Start a Python module."""
        process = subprocess.Popen(
            [sys.executable, "-m", *arguments], cwd=ROOT, env=self._environment, stdout=self._log, stderr=self._log
        )
        self._running.append(process)
        return process

    def end(self, process: subprocess.Popen[bytes]) -> None:
        """End one of them."""
        process.terminate()
        process.wait(30)
        self._running.remove(process)

    def end_all(self) -> None:
        """End whatever runs."""
        for process in list(self._running):
            self.end(process)
        self._log.close()


def _until(holds: Any, what: str) -> None:
    deadline = time.monotonic() + _WAIT_SECONDS
    while not holds():
        if time.monotonic() > deadline:
            raise RuntimeError(f"not in time: {what}")
        time.sleep(0.1)


def _answers(address: str) -> bool:
    try:
        return httpx.get(address, trust_env=False, timeout=5).status_code == 200
    except httpx.TransportError:
        return False


def fill(base: str, resources: int) -> int:
    """Post invented cases until about so many resources wait; return how many do."""
    case = read_json((data_folder("examples") / "demo/case.json").read_bytes())
    events = (data_folder("examples") / "demo/events.json").read_bytes()
    made = number = 0
    with httpx.Client(base_url=base, trust_env=False, timeout=60, headers=JSON) as client:
        while made < resources:
            case["patient"]["identifier"]["value"] = f"P-{number}"
            case["encounter"]["value"] = f"E-{number}"
            assert client.put(f"/v1/cases/c-{number}", content=write_json(case)).status_code == 201
            answer = client.post(f"/v1/cases/c-{number}/events", content=events)
            assert answer.status_code == 207, answer.text
            made += 4 + sum(len(outcome["resources"]) for outcome in answer.json()["outcomes"])
            number += 1
    return made


def _memory(processes: list[subprocess.Popen[bytes]]) -> float:
    """Return the resident memory of the largest process in mebibytes."""
    sizes = []
    for process in processes:
        status = Path(f"/proc/{process.pid}/status").read_text(encoding="utf-8")
        (line,) = [line for line in status.splitlines() if line.startswith("VmRSS")]
        sizes.append(int(line.split()[1]) / 1024)
    return max(sizes)


def _processor_seconds(processes: list[subprocess.Popen[bytes]]) -> float:
    """Return the processor time that the processes have taken so far."""
    ticks = 0
    for process in processes:
        fields = Path(f"/proc/{process.pid}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()
        ticks += int(fields[11]) + int(fields[12])
    return ticks / os.sysconf("SC_CLK_TCK")


def _bundles_by_lane(location: Path | str) -> list[list[bytes]]:
    """Return the Bundles of each lane in their order, those of devices first, since others refer to them."""
    sql = (
        "SELECT b.batch_id, min(d.lane) FROM batches b JOIN deliveries d ON d.batch_id = b.batch_id"
        " GROUP BY b.batch_id ORDER BY b.batch_id"
    )
    bodies = dict(rows(location, "SELECT batch_id, body FROM batches"))
    lanes: dict[str, list[bytes]] = {}
    for batch_id, lane in rows(location, sql):
        lanes.setdefault(lane, []).append(bodies[batch_id])
    return [lanes[lane] for lane in sorted(lanes, key=lambda lane: not lane.startswith("device:"))]


async def replay(base: str, lanes: list[list[bytes]], connections: int) -> float:
    """Return how many seconds bare httpx takes to send the Bundles, each lane's in order, over the connections."""
    first, *others = lanes
    waiting = iter(others)

    async def send(client: httpx.AsyncClient, bodies: list[bytes]) -> None:
        for body in bodies:
            headers = {"Content-Type": "application/fhir+json", "Accept": "application/fhir+json"}
            answer = await client.post(base, content=body, headers=headers)
            assert answer.status_code == 200, answer.text

    async def send_lanes(client: httpx.AsyncClient) -> None:
        for bodies in waiting:
            await send(client, bodies)

    limits = httpx.Limits(max_connections=connections, max_keepalive_connections=connections)
    async with httpx.AsyncClient(limits=limits, timeout=120, trust_env=False) as client:
        began = time.monotonic()
        await send(client, first)
        await asyncio.gather(*(send_lanes(client) for _ in range(connections)))
        return time.monotonic() - began


def measure(
    resources: int,
    *,
    workers: int = 1,
    entries: int = 20,
    store: str | None = None,
    cold: bool = False,
    server: str = "answering",
) -> Drained:
    """Return what one run shows."""
    folder = Path(tempfile.mkdtemp(prefix="resus-drain-"))
    place = store or str(folder / "store.sqlite")
    location = Path(place) if store is None else place
    port = free_port()
    base = f"http://127.0.0.1:{port}/fhir"
    more = {
        "RESUS_DESTINATION": base,
        "RESUS_BUNDLE_MAX_ENTRIES": str(entries),
        "RESUS_RETRY_MAX_SECONDS": "1",
        # A Bundle that names ids of the server's own could not be sent again to a fresh one.
        "RESUS_STRATEGY": "client-ids",
    }
    processes = Processes(folder, place, more)
    try:
        own = free_port()
        service = processes.start("service", "serve", "--no-deliver", "--port", str(own))
        _until(lambda: _answers(f"http://127.0.0.1:{own}/health/ready"), "the service")
        waiting = fill(f"http://127.0.0.1:{own}", resources)
        processes.end(service)
        began = time.monotonic()
        delivering = []
        if not cold:
            delivering = [processes.start("service", "deliver") for _ in range(workers)]
            unread = "SELECT count(*) FROM deliveries WHERE state = 'waiting' AND read_twice = 0"
            _until(lambda: rows(location, unread) == [(0,)], "reading ahead")
        ahead = time.monotonic() - began
        with _serving(server, folder / "server", port, processes):
            if cold:
                delivering = [processes.start("service", "deliver") for _ in range(workers)]
            memory = [_memory(delivering)]
            processor = _processor_seconds(delivering)
            queued = _waiting(location)
            _until(lambda: _waiting(location) <= queued / 2, "half of it")
            memory.append(_memory(delivering))
            _until(lambda: not _waiting(location), "the rest of it")
            memory.append(_memory(delivering))
            processor = _processor_seconds(delivering) - processor
            for process in delivering:
                processes.end(process)
        lanes = _bundles_by_lane(location)
        with _serving(server, folder / "fresh", port, processes):
            bare_processor = time.process_time()
            bare = asyncio.run(replay(base, lanes, 8 * workers))
            bare_processor = time.process_time() - bare_processor
        ((began_at,),) = rows(location, "SELECT min(recorded_at) FROM audit_entries WHERE action = 'attempt'")
        ((ended_at,),) = rows(location, "SELECT max(recorded_at) FROM audit_entries WHERE action = 'outcome'")
        seconds = (parse_instant(ended_at) - parse_instant(began_at)).total_seconds()
        return Drained(
            waiting,
            sum(len(bodies) for bodies in lanes),
            waiting / seconds,
            waiting / bare,
            ahead,
            (memory[0], memory[1], memory[2]),
            processor,
            bare_processor,
        )
    finally:
        processes.end_all()
        shutil.rmtree(folder)


@contextmanager
def _serving(name: str, folder: Path, port: int, processes: Processes) -> Iterator[None]:
    """Have a server listen, fresh where the folder is new."""
    base = f"http://127.0.0.1:{port}/fhir"
    if name == "answering":
        answering = processes.start("tests.bench.answering_server", str(port))
        _until(lambda: _answers(f"{base}/metadata"), "the server")
        yield
        processes.end(answering)
        return
    start = {"sekmet": start_sekmet, "hapi-jpa": start_hapi_jpa}[name]
    running = start(folder, port)
    try:
        yield
    finally:
        running.stop()


def _waiting(location: Path | str) -> int:
    ((count,),) = rows(location, "SELECT count(*) FROM deliveries WHERE state = 'waiting'")
    return int(count)


def main() -> None:
    """Measure as the command line says, and print it."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--resources", type=int, default=20_000)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--entries", type=int, default=20)
    parser.add_argument("--store", default=None)
    parser.add_argument("--cold", action="store_true")
    parser.add_argument("--server", choices=["answering", "sekmet", "hapi-jpa"], default="answering")
    parser.add_argument("--pairs", type=int, default=1)
    asked = parser.parse_args()
    ratios = []
    for _ in range(asked.pairs):
        drained = measure(
            asked.resources,
            workers=asked.workers,
            entries=asked.entries,
            store=asked.store,
            cold=asked.cold,
            server=asked.server,
        )
        show(drained, asked)
        ratios.append(drained.ratio)
    print(f"the middle ratio of {len(ratios)}: {statistics.median(ratios):.2f}")


def show(drained: Drained, asked: argparse.Namespace) -> None:
    """Print what one run shows."""
    how = "cold" if asked.cold else f"read ahead in {drained.read_ahead_seconds:.0f} s"
    what = f"{drained.resources} resources in {drained.bundles} Bundles to {asked.server}"
    print(f"{what}, {asked.workers} worker(s), {how}")
    print(f"  delivered     {drained.resources_a_second:8.0f} resources/s")
    print(f"  bare replay   {drained.bare_resources_a_second:8.0f} resources/s; ratio {drained.ratio:.2f}")
    share = drained.processor_seconds / drained.resources * 1000
    bare_share = drained.bare_processor_seconds / drained.resources * 1000
    print(f"  processor for each resource: the workers {share:.3f} ms, the replay {bare_share:.3f} ms")
    print("  memory of the largest worker {:.0f}, {:.0f}, {:.0f} MiB (begin, half, end)".format(*drained.memory))


if __name__ == "__main__":
    main()
