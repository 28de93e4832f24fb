"""Has a held delivery sent again."""

from __future__ import annotations

from service.audit.append_entry import Action, Happening, append_entry
from service.pipeline.log_refusal import log_refusal
from service.pipeline.read_deliveries import delivery_body
from service.pipeline.stages import Answer, Taken
from service.problems import Code, Problem
from service.records.receipts import Receipt
from service.storage.deliveries import AttemptResult, dissolve_batch, find_delivery, record_attempt
from service.storage.statements import Transaction


def retry_delivery(tx: Transaction, delivery_id: int, receipt: Receipt) -> Answer:
    """Put a held delivery back into the queue, to go out by itself; refuse any other."""
    subject = f"delivery:{delivery_id}"
    delivery = find_delivery(tx, delivery_id)
    if delivery is None:
        problem = Problem(Code.UNKNOWN_DELIVERY, "", "there is no delivery of this id", "an id from /v1/deliveries")
        return log_refusal(tx, receipt, subject, [problem], b"")
    if delivery.state != "held":
        problem = Problem(Code.NOT_HELD, "", "the delivery is not held", "a delivery in the state held")
        return log_refusal(tx, receipt, subject, [problem], b"", delivery.case_id)
    result = AttemptResult("waiting", 0, receipt.stamp, delivery.last_error, delivery.outcome)
    record_attempt(tx, delivery_id, result, receipt.stamp)
    dissolve_batch(tx, [delivery_id], alone=True)
    append_entry(tx, receipt, Happening(Action.RETRY, subject, "queued", delivery.case_id))
    again = find_delivery(tx, delivery_id)
    return Taken(200, delivery_body(again) if again else {})
