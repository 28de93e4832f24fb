"""Compares the outbox with the audit log: a delivery counts as settled only if an entry says how."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from sqlalchemy import bindparam, select

from service.audit.append_entry import Action
from service.records.record_keys import delivery_of
from service.storage.audit_entries import AuditEntry
from service.storage.schema import deliveries
from service.storage.statements import Row, Statement, Transaction

_PAGE = 1000
_STATES = Statement(
    select(deliveries.c.delivery_id, deliveries.c.state)
    .where(deliveries.c.delivery_id > bindparam("after"))
    .order_by(deliveries.c.delivery_id)
    .limit(bindparam("most"))
)
_STATES_TOLD = {"arrived": "delivered", "left-out": "left-out"}
_SETTLED = ("delivered", "discarded", "left-out")


class SettledDeliveries:
    """Notes what the entries tell of each delivery, and at the end what the outbox says otherwise."""

    def __init__(self, tx: Transaction) -> None:
        self._tx = tx
        self._queued: set[int] = set()
        self._settled: dict[int, tuple[str, int]] = {}

    def note(self, entry: AuditEntry, detail: Mapping[str, Any]) -> None:
        """Note what an entry and its detail tell, which are as they were written."""
        if "delivery" in detail:
            self._queued.add(detail["delivery"])
        match entry.action:
            case Action.OUTCOME if entry.outcome in _STATES_TOLD:
                for delivery_id in detail["deliveries"]:
                    self._settled[delivery_id] = _STATES_TOLD[entry.outcome], entry.number
            case Action.DISCARD if entry.outcome == "discarded":
                delivery_id = delivery_of(entry.subject)
                self._settled[delivery_id] = "discarded", entry.number

    def faults(self) -> Iterator[str]:
        """Yield what the outbox says and the log does not; `KeptRows` tells of the deliveries that are gone."""
        for delivery_id, state in self._states():
            told = self._settled.get(delivery_id)
            if delivery_id not in self._queued:
                yield f"the delivery {delivery_id} is in the outbox without a matching entry"
            elif told is not None and told[0] != state:
                yield f"the delivery {delivery_id} counts as {state}; entry {told[1]} says that it was {told[0]}"
            elif told is None and state in _SETTLED:
                yield f"the delivery {delivery_id} counts as {state} without a matching entry"

    def _states(self) -> Iterator[Row]:
        after = 0
        while page := self._tx.run(_STATES, after=after, most=_PAGE):
            yield from page
            after = page[-1][0]
