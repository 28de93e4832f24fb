"""Shows the outbox."""

from __future__ import annotations

from typing import Any

from service.exact_json import read_json
from service.storage.deliveries import Delivery, page_of_deliveries
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


def read_deliveries(
    tx: Transaction, state: str | None, case_id: str | None, after: int, most: int
) -> dict[str, Any]:
    """Return a page of deliveries, oldest first, and where there are more, after which the next page begins."""
    page = page_of_deliveries(tx, state, case_id, after, most + 1)
    body: dict[str, Any] = {"deliveries": [delivery_body(delivery) for delivery in page[:most]]}
    if len(page) > most:
        body["next"] = page[most - 1].delivery_id
    return body
