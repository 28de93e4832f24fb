"""The demonstration: starts the service as a user would, acts as a documentation client, and says what happened."""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import socket
import sys
import tempfile
from collections import Counter
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import httpx

from service.data_folders import data_folder
from service.exact_json import read_json

Say = Callable[[str], None]

_CASE, _DEVICE = "c-demo", "D-3"
_WAIT_SECONDS = 60


class DemoFailedError(Exception):
    """A step of the demonstration failed; the message says which."""


def free_port() -> int:
    """Return a port of the loopback address that nobody listens on at the moment."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@asynccontextmanager
async def running_service(folder: Path, port: int) -> AsyncIterator[httpx.AsyncClient]:
    """Start `resus-fhir serve` in a process of its own and yield a client for it; stop it at the end."""
    environment = {name: value for name, value in os.environ.items() if not name.startswith("RESUS_")}
    environment["RESUS_STORE"] = str(folder / "demo.sqlite")
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "service", "serve", "--port", str(port),
        cwd=folder, env=environment, stderr=asyncio.subprocess.PIPE,
    )  # fmt: skip
    messages: list[bytes] = []
    reading = asyncio.create_task(_collect(process.stderr, messages))
    try:
        async with httpx.AsyncClient(base_url=f"http://127.0.0.1:{port}", timeout=30, trust_env=False) as client:
            await _until_ready(client, process, messages)
            yield client
    finally:
        with contextlib.suppress(ProcessLookupError):
            process.send_signal(signal.SIGTERM)
        await process.wait()
        await reading


async def _collect(stream: asyncio.StreamReader | None, messages: list[bytes]) -> None:
    while stream is not None and (line := await stream.readline()):
        messages.append(line)
        del messages[:-50]


async def _until_ready(
    client: httpx.AsyncClient, process: asyncio.subprocess.Process, messages: list[bytes]
) -> None:
    for _ in range(_WAIT_SECONDS * 10):
        if process.returncode is not None:
            raise DemoFailedError(f"the service did not start:\n{b''.join(messages).decode(errors='replace')}")
        with contextlib.suppress(httpx.TransportError):
            if (await client.get("/health/ready")).status_code == 200:
                return
        await asyncio.sleep(0.1)
    raise DemoFailedError(f"the service was not ready after {_WAIT_SECONDS} seconds")


def _example(name: str) -> bytes:
    return (data_folder("examples") / name).read_bytes()


async def _call(client: httpx.AsyncClient, method: str, address: str, body: bytes | None, wanted: int) -> Any:
    headers = {"Content-Type": "application/json"} if body is not None else {}
    response = await client.request(method, address, content=body, headers=headers)
    if response.status_code != wanted:
        raise DemoFailedError(f"{method} {address} answered {response.status_code}, not {wanted}: {response.text}")
    return read_json(response.content)


async def _until_delivered(client: httpx.AsyncClient) -> None:
    for _ in range(_WAIT_SECONDS * 10):
        waiting = (await _call(client, "GET", "/v1/deliveries?state=waiting&limit=1", None, 200))["deliveries"]
        if not waiting:
            return
        await asyncio.sleep(0.1)
    raise DemoFailedError(f"not everything was delivered within {_WAIT_SECONDS} seconds")


async def _play(client: httpx.AsyncClient, say: Say) -> None:
    """Post the invented case as a documentation client would, and report each step when it is done."""
    await _call(client, "PUT", f"/v1/devices/{_DEVICE}", _example("device-check/device.json"), 201)
    check = await _call(client, "POST", f"/v1/devices/{_DEVICE}/checks", _example("device-check/check.json"), 201)
    (device,) = (await _call(client, "GET", "/v1/devices", None, 200))["devices"]
    offset = device["clock_offset_seconds"]
    way = "fast" if offset > 0 else "slow"
    say(f"Device {_DEVICE} checked: {check['outcome']}; its clock is {abs(offset):.0f} s {way}.")
    await _call(client, "PUT", f"/v1/cases/{_CASE}", _example("demo/case.json"), 201)
    say(f"Case {_CASE} opened.")
    answer = await _call(client, "POST", f"/v1/cases/{_CASE}/events", _example("demo/events.json"), 207)
    outcomes = Counter(outcome["outcome"] for outcome in answer["outcomes"])
    say(f"Events posted: {_listed(outcomes)}.")
    again = await _call(client, "POST", f"/v1/cases/{_CASE}/events", _example("demo/events.json"), 207)
    say(f"The same events posted again: {_listed(Counter(outcome['outcome'] for outcome in again['outcomes']))}.")
    refused = await _call(client, "POST", f"/v1/cases/{_CASE}/events", _example("demo/wrong-event.json"), 422)
    problem = refused["problems"][0]
    say(f"A wrong event is refused and kept in the log: {problem['pointer']}: {problem['message']};"
        f" allowed: {problem['expected']}.")  # fmt: skip
    await _until_delivered(client)
    say("Everything is delivered.")


def _listed(counts: Counter[str]) -> str:
    return ", ".join(f"{count} {name}" for name, count in sorted(counts.items()))


async def _resources_at_endpoint(client: httpx.AsyncClient) -> Counter[str]:
    """Return how many resources of each type the FHIR endpoint holds, as it says itself."""
    statement = await _call(client, "GET", "/fhir/metadata", None, 200)
    types = [listed["type"] for listed in statement["rest"][0]["resource"]]
    counts: Counter[str] = Counter()
    for name in types:
        found = await _call(client, "GET", f"/fhir/{name}?_count=1&_total=accurate", None, 200)
        counts[name] = found["total"]
    return +counts


async def _account(client: httpx.AsyncClient, say: Say) -> None:
    case = await _call(client, "GET", f"/v1/cases/{_CASE}", None, 200)
    resources = await _resources_at_endpoint(client)
    (patient,) = (await _call(client, "GET", "/fhir/Patient?_count=2", None, 200))["entry"]
    gaps = (await _call(client, "GET", f"/v1/cases/{_CASE}/gaps", None, 200))["gaps"]
    seal = await _call(client, "GET", "/v1/audit/seal", None, 200)
    say("")
    say(f"Events kept      {case['events']}")
    say(f"At the endpoint  {sum(resources.values())} resources: {_listed(resources)}")
    delivery = case["delivery"]
    say(f"Deliveries       {', '.join(f'{count} {state}' for state, count in delivery.items())}")
    core = [gap for gap in gaps if gap["importance"] == "core"]
    say(f"Gaps             {len(gaps)}, {len(core)} of them core:")
    for gap in core or gaps:
        event = f" of {gap['event_id']}" if gap["event_id"] else ""
        say(f"                 {gap['element']}{event} is {gap['state']}: {gap['ask']}")
    say(f"Audit log        {seal['number']} entries, seal {seal['hash'][:16]}…")
    base = str(client.base_url).rstrip("/")
    say("")
    say("Where to look")
    say(f"  {base}/v1/cases/{_CASE}/timeline")
    say(f"  {base}/v1/cases/{_CASE}/gaps")
    say(f"  {base}/v1/cases/{_CASE}/fhir")
    say(f"  {base}/v1/audit/entries?case_id={_CASE}")
    say(f"  {base}/fhir/Observation?patient={patient['resource']['id']}&_sort=date")
    say(f"  {base}/openapi.json")


async def run_demo(*, once: bool, port: int, say: Say) -> int:
    """Run the demonstration and return the exit status: 0 where everything went as it must."""
    say("An invented hospital and patient. The service documents; it must not be used to decide treatment.")
    with tempfile.TemporaryDirectory(prefix="resus-fhir-demo-") as folder:
        try:
            async with running_service(Path(folder), port or free_port()) as client:
                say(f"The service listens at {client.base_url}; its FHIR endpoint is for trial and tests, not for"
                    " patient data.")  # fmt: skip
                await _play(client, say)
                await _account(client, say)
                if not once:
                    say("Stop with Ctrl-C; the demonstration's data are then deleted.")
                    await _until_interrupted()
        except DemoFailedError as failed:
            say(f"The demonstration failed: {failed}")
            return 1
    return 0


async def _until_interrupted() -> None:
    interrupted = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, interrupted.set)
    await interrupted.wait()
