"""Beside the process that delivers from a file, others stand by: they do nothing until it ends."""

from __future__ import annotations

import asyncio
import time
from pathlib import Path

from structlog.testing import capture_logs

from service.clock import system_clock
from service.delivery.destination_state import DestinationState
from service.delivery.fhir_client import FhirClient
from service.settings import Settings
from service.storage.store import Store
from service.worker.run_worker import Worker


def test_a_worker_that_stands_by_rests_whatever_is_committed_and_says_so_once(tmp_path: Path) -> None:
    # A file in any case: in a database that is shared nobody stands by.
    store = Store(tmp_path / "store.sqlite")
    store.open()
    client = FhirClient("http://127.0.0.1:9/fhir", connections=1, timeout_seconds=1)
    worker = Worker(store, client, Settings(), DestinationState(client.base, frozenset()), system_clock)

    async def commit_while_it_stands_by() -> float:
        running = asyncio.create_task(worker.run())
        await asyncio.sleep(0.1)
        begins = time.process_time()
        for _ in range(10):
            await store.write(lambda _: None)
            await asyncio.sleep(0.05)
        used = time.process_time() - begins
        worker.stop()
        await running
        return used

    try:
        with store.database.hold_delivery_right() as is_ours, capture_logs() as logged:
            assert is_ours
            used_seconds = asyncio.run(commit_while_it_stands_by())
    finally:
        store.close()
    assert [entry["event"] for entry in logged] == ["delivery_standing_by"]
    assert used_seconds < 0.25
