"""Holds a delivery that refers to what was discarded, so that nothing in the chart points at nothing."""

from __future__ import annotations

from collections.abc import Sequence

from service.exact_json import write_json
from service.records.receipts import Receipt
from service.storage.deliveries import AttemptResult, dissolve_batch, find_delivery, record_attempts
from service.storage.statements import Transaction


def hold_for_absent(tx: Transaction, delivery_id: int, absent: Sequence[str], receipt: Receipt) -> None:
    """Hold a delivery, with an OperationOutcome of ours that names the references to what has never arrived."""
    delivery = find_delivery(tx, delivery_id)
    if delivery is None or delivery.state not in ("waiting", "held"):
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
    result = AttemptResult("held", delivery.attempts, receipt.stamp, reason, outcome)
    record_attempts(tx, {delivery_id: result}, receipt.stamp)
    dissolve_batch(tx, [delivery_id], alone=True)
