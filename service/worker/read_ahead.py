"""Has the second reader read what waits while the destination is down, so that it leaves sooner once it is up."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from functools import partial

from service.delivery.build_bundle import Outgoing
from service.storage.deliveries import mark_read_twice, resources_of_deliveries, unread_deliveries
from service.storage.statements import Transaction
from service.storage.store import Store
from service.worker.serve_lane import second_reading

_AT_A_TIME = 50


async def read_ahead(store: Store, is_needed: Callable[[], bool], after: int = 0) -> int:
    """Read what waits above the number `after`, oldest first, while it `is_needed`; return the last that was read.

    What the second reader refuses is left to whoever sends it, who reads it again and holds it.
    """
    while is_needed():
        page = await store.read(partial(_page, after=after))
        if not page:
            break
        good: list[int] = []
        for number, resources in page:
            if not await asyncio.to_thread(second_reading, resources):
                good.append(number)
        await store.claim(partial(mark_read_twice, delivery_ids=good))
        after = page[-1][0]
    return after


def _page(tx: Transaction, after: int) -> list[tuple[int, list[Outgoing]]]:
    found = resources_of_deliveries(tx, unread_deliveries(tx, after, _AT_A_TIME))
    return [(number, [Outgoing(*row) for row in rows]) for number, rows in sorted(found.items())]
