"""Measures the embedded endpoint over loopback HTTP with the real check: the numbers are printed, not judged."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Awaitable, Callable
from pathlib import Path

import httpx
import pytest

from service.exact_json import write_json
from tests.endpoint.resources import EVENTS, entry, observation, patient, transaction
from tests.support.start_endpoint import started_endpoint

pytestmark = [pytest.mark.bench, pytest.mark.anyio]

FHIR = {"Content-Type": "application/fhir+json", "Prefer": "return=minimal"}


@pytest.fixture
def anyio_backend() -> str:
    return "asyncio"


def body_of(name: str) -> bytes:
    return write_json(
        observation(
            name,
            subject="Patient/p",
            identifier=[{"system": EVENTS, "value": name}],
            effectiveDateTime="2031-03-02T10:00:00+01:00",
            valueQuantity={
                "value": 98,
                "unit": "beats/minute",
                "system": "http://unitsofmeasure.org",
                "code": "/min",
            },
        )
    )


def bundle_of(name: str, size: int) -> bytes:
    names = [f"{name}-{number}" for number in range(size)]
    return write_json(
        transaction(
            *(
                entry(
                    "PUT",
                    f"Observation/{one}",
                    observation(
                        one,
                        subject="Patient/p",
                        identifier=[{"system": EVENTS, "value": one}],
                        effectiveDateTime="2031-03-02T10:00:00+01:00",
                        valueQuantity={
                            "value": 98,
                            "unit": "beats/minute",
                            "system": "http://unitsofmeasure.org",
                            "code": "/min",
                        },
                    ),
                )
                for one in names
            )
        )
    )


async def rate(total: int, clients: int, send: Callable[[int], Awaitable[httpx.Response]]) -> tuple[float, float]:
    """Return requests a second and the median latency in milliseconds."""
    numbers = iter(range(total))
    latencies: list[float] = []

    async def work() -> None:
        for number in numbers:
            begun = time.perf_counter()
            answer = await send(number)
            latencies.append(time.perf_counter() - begun)
            assert answer.status_code in {200, 201}, answer.text

    begun = time.perf_counter()
    await asyncio.gather(*(work() for _ in range(clients)))
    return total / (time.perf_counter() - begun), sorted(latencies)[total // 2] * 1000


@pytest.mark.parametrize("clients", [1, 8])
async def test_writes_a_second(tmp_path: Path, clients: int) -> None:
    with started_endpoint(tmp_path / "e.sqlite") as (base, _):
        async with httpx.AsyncClient(headers=FHIR, timeout=60) as client:
            await client.put(f"{base}/Patient/p", json=patient("p"))
            singles = [body_of(f"s{number}") for number in range(800)]
            twenties = [bundle_of(f"t{number}", 20) for number in range(100)]
            hundreds = [bundle_of(f"h{number}", 100) for number in range(10)]
            put = await rate(800, clients, lambda n: client.put(f"{base}/Observation/s{n}", content=singles[n]))
            twenty = await rate(100, clients, lambda n: client.post(base, content=twenties[n]))
            hundred = await rate(10, clients, lambda n: client.post(base, content=hundreds[n]))
            read = await rate(800, clients, lambda n: client.get(f"{base}/Observation/s{n}"))
    print(f"\n{clients} client(s): requests/s, median ms")
    for name, (per_second, latency) in {
        "PUT": put,
        "transaction of 20": twenty,
        "transaction of 100": hundred,
        "read": read,
    }.items():
        print(f"  {name:20} {per_second:8.0f} {latency:8.1f}")
