"""An endpoint over a real file, with the real check, mounted at /fhir as the service does it."""

from __future__ import annotations

from collections.abc import AsyncIterator, Iterator
from pathlib import Path

import httpx
import pytest
from starlette.applications import Starlette

from service.checking.check_resource import check_resource
from service.checking.table import COVERED_RESOURCES
from service.clock import random_id
from service.endpoint.application import Endpoint, create_endpoint
from service.endpoint.mount_endpoint import routes_at
from tests.support.ticking_clock import TickingClock

BASE = "http://endpoint.test/fhir"


@pytest.fixture
def anyio_backend() -> str:
    return "asyncio"


@pytest.fixture
def store_path(tmp_path: Path) -> Path:
    return tmp_path / "endpoint.sqlite"


@pytest.fixture
def endpoint(store_path: Path) -> Iterator[Endpoint]:
    made = create_endpoint(
        store_path,
        check=check_resource,
        clock=TickingClock(),
        make_id=random_id,
        served=frozenset(COVERED_RESOURCES),
        max_body_bytes=200_000,
    )
    yield made
    made.close()


@pytest.fixture
async def fhir(endpoint: Endpoint) -> AsyncIterator[httpx.AsyncClient]:
    application = Starlette(routes=routes_at("/fhir", endpoint))
    transport = httpx.ASGITransport(application)
    headers = {"Content-Type": "application/fhir+json"}
    async with httpx.AsyncClient(transport=transport, base_url=BASE, headers=headers) as client:
        yield client
