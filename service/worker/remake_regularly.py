"""Makes again what was left to be made again, in short units beside the requests."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator

import structlog

from service.clock import Clock
from service.making.stages import Stages
from service.problems import Unavailable
from service.storage.remakes import next_remake
from service.storage.store import Store
from service.taking.remake_events import go_on_remaking

_POLL_SECONDS = 1.0

log = structlog.get_logger(__name__)


async def remake_regularly(store: Store, stages: Stages, clock: Clock) -> None:
    """Make again what is to be made again, until cancelled; a unit that was begun is kept whole or not at all.

    Any number of processes may do so: each unit takes what is first, in a transaction beside which no other writes.
    """
    while True:
        try:
            while await store.read(next_remake) is not None:
                await store.write(lambda tx: go_on_remaking(tx, stages, clock()), is_long=True)
        except Unavailable:
            log.error("store_unavailable")  # noqa: TRY400 - a trace may hold values.
        except Exception as error:
            log.error("remake_failed", error=type(error).__name__)  # noqa: TRY400 - a trace may hold values.
        await asyncio.sleep(_POLL_SECONDS)


@contextlib.asynccontextmanager
async def remaking(store: Store, stages: Stages, clock: Clock) -> AsyncIterator[None]:
    """Have `remake_regularly` run for as long as the context is open."""
    running = asyncio.create_task(remake_regularly(store, stages, clock))
    try:
        yield
    finally:
        running.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await running
