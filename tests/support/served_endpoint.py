"""The embedded endpoint in a process of its own, over loopback HTTP, for tests of sockets and of crashes."""

from __future__ import annotations

import sys
from pathlib import Path

import uvicorn
from starlette.applications import Starlette

from service.checking.check_resource import check_resource
from service.checking.table import COVERED_RESOURCES
from service.clock import random_id, system_clock
from service.endpoint.application import create_endpoint
from service.endpoint.mount_endpoint import routes_at


def serve(store_path: Path, port: int) -> None:
    """Serve the endpoint at /fhir until the process is ended."""
    endpoint = create_endpoint(
        store_path,
        check=check_resource,
        clock=system_clock,
        make_id=random_id,
        served=frozenset(COVERED_RESOURCES),
    )
    uvicorn.run(
        Starlette(routes=routes_at("/fhir", endpoint)),
        host="127.0.0.1",
        port=port,
        log_level="warning",
        access_log=False,
    )


if __name__ == "__main__":
    serve(Path(sys.argv[1]), int(sys.argv[2]))
