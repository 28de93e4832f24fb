"""Shows the outbox."""

from __future__ import annotations

from typing import Any

from service.exact_json import read_json
from service.reading.paging import page_body
from service.storage.deliveries import Delivery, find_delivery, page_of_deliveries
from service.storage.statements import Transaction


def delivery_body(delivery: Delivery) -> dict[str, Any]:
    """Return a delivery as the API shows it."""
    return {
        "id": delivery.delivery_id,
        "case_id": delivery.case_id,
        "device_id": delivery.device_id,
        "record": delivery.record,
        "state": delivery.state,
        "attempts": delivery.attempts,
        "next_attempt_at": delivery.next_attempt_at if delivery.state == "waiting" else None,
        "resources": delivery.entries,
        "last_error": delivery.last_error,
        "outcome": read_json(delivery.outcome.encode()) if delivery.outcome else None,
        "concerns": read_json(delivery.concerns.encode()) if delivery.concerns else [],
    }


def read_delivery(tx: Transaction, delivery_id: int) -> dict[str, Any]:
    """Return one delivery as the API shows it; nothing where it is not there."""
    delivery = find_delivery(tx, delivery_id)
    return delivery_body(delivery) if delivery else {}


def read_deliveries(
    tx: Transaction, state: str | None, case_id: str | None, after: int, most: int
) -> dict[str, Any]:
    """Return a page of deliveries, oldest first, and where there are more, after which the next page begins."""
    page = page_of_deliveries(tx, state, case_id, after, most + 1)
    return page_body("deliveries", page, most, lambda one: [delivery_body(one)], lambda one: one.delivery_id)
