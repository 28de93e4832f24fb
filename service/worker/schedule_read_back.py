"""Reads back regularly; of several workers on one store, one does it at a time."""

from __future__ import annotations

import asyncio
import contextlib
from dataclasses import dataclass
from datetime import timedelta

import structlog

from service.clock import Clock, random_id
from service.delivery.destination_state import DestinationState
from service.delivery.fhir_client import FhirClient
from service.records.instants import parse_instant
from service.storage.lanes import Lease, claim_task, let_go_lane
from service.storage.read_backs import last_read_back
from service.storage.store import Store
from service.worker.read_back import read_back

_TASK = "task:read-back"
_LEASE = timedelta(hours=1)
"""A run that takes longer may be begun by another worker too, which costs the destination its reads twice."""
_MOST_POLL_SECONDS = 60.0

log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True)
class ReadBackSchedule:
    """What is needed to read back; `holder` is the worker."""

    store: Store
    client: FhirClient
    clock: Clock
    holder: str

    async def run(self, hours: float, destination: DestinationState, stopped: asyncio.Event) -> None:
        """Read back whenever so many hours have passed since the last run, until `stopped` is set."""
        interval = timedelta(hours=hours)
        pause = min(interval.total_seconds() / 10, _MOST_POLL_SECONDS)
        while not stopped.is_set():
            try:
                if destination.is_usable and await self._is_due(interval):
                    await self._read_back()
            except Exception as error:
                # The next round tries again; a delivery must not end by a read-back that went wrong.
                log.error("read_back_failed", error=type(error).__name__)  # noqa: TRY400 - a trace may hold values.
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(stopped.wait(), pause)

    async def _is_due(self, interval: timedelta) -> bool:
        last = await self.store.read(last_read_back)
        return last is None or parse_instant(last) + interval <= self.clock()

    async def _read_back(self) -> None:
        lease = Lease(self.holder, _LEASE)
        if not await self.store.write(lambda tx: claim_task(tx, _TASK, lease)):
            return
        try:
            report = await read_back(self.store, self.client, self.clock, random_id)
        finally:
            await self.store.claim(lambda tx: let_go_lane(tx, _TASK, lease))
        counts = {result.value: count for result, count in report.total.items()}
        log.info("read_back_done", problem=report.problem, **counts)
