"""Holds a delivery that refers to what was discarded, so that nothing in the chart points at nothing."""

from __future__ import annotations

from collections.abc import Sequence

from service.exact_json import write_json
from service.records.receipts import Receipt
from service.storage.batches import dissolve_batch
from service.storage.deliveries import OPEN_STATES, NewState, find_delivery, keep_state
from service.storage.statements import Transaction


def hold_for_absent(tx: Transaction, delivery_id: int, absent: Sequence[str], receipt: Receipt) -> None:
    """Hold a delivery, with an OperationOutcome of ours that names the references to what has never arrived."""
    delivery = find_delivery(tx, delivery_id)
    if delivery is None or delivery.state not in OPEN_STATES:
        return
    issues = [
        {
            "severity": "error",
            "code": "not-found",
            "diagnostics": f"{reference} was discarded and never arrived",
        }
        for reference in absent
    ]
    outcome = write_json({"resourceType": "OperationOutcome", "issue": issues}).decode()
    reason = "it refers to what was discarded"
    keep_state(tx, [delivery_id], NewState("held", receipt.stamp, reason, outcome), receipt.stamp)
    dissolve_batch(tx, [delivery_id])
