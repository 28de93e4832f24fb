"""Takes in a check of a device, with the verdict on it and what it says of the device's clock."""

from __future__ import annotations

from datetime import datetime

from service.audit.append_entry import Action, Happening, append_entry
from service.intake.read_record import ReadRecord
from service.making.check_made import check_made
from service.making.make_device import make_check
from service.making.stages import Stages
from service.outbox.queue_resources import owned_by_device, queue_deliveries
from service.problems import Code, refusal_for
from service.readiness.judge_check import judge_check
from service.readiness.read_clock import read_clock_item
from service.reading.read_devices import reason_body
from service.records.record_keys import check_key
from service.storage.devices import StoredCheck, find_check, find_device, keep_check
from service.storage.statements import Transaction
from service.taking.remake_events import change_reading
from service.taking.submissions import Submission, Taken, log_repeat


def take_check(tx: Transaction, stages: Stages, device_id: str, read: ReadRecord, submission: Submission) -> Taken:
    """Keep a check with its verdict, its resources and what it says of the device's clock.

    The same content again changes nothing. Raises a ServiceProblem, with nothing kept, where it is refused.
    """
    content, receipt = read.content, submission.receipt
    key = check_key(device_id, content["id"])
    device = find_device(tx, device_id)
    if device is None or not device.registered:
        expected = f"a device that was registered with PUT /v1/devices/{device_id}"
        raise refusal_for(Code.UNKNOWN_DEVICE, "", "there is no device of this id", expected)
    old = find_check(tx, device_id, content["id"])
    if old is not None and old.content_hash == read.content_hash:
        log_repeat(tx, submission)
        return Taken(201, old.answer, is_repeat=True)
    if old is not None:
        raise refusal_for(Code.OTHER_CONTENT, "/id", "a check of this id was taken with other content", "a new id")
    verdict = judge_check(content["items"], stages.vocabulary.check_items, content["checked_at"])
    reasons = [reason_body(reason) for reason in verdict.reasons]
    made = make_check(stages, device_id, content, (verdict.outcome, [one["says"] for one in reasons]), receipt)
    check_made(made)
    queued = queue_deliveries(tx, owned_by_device(device_id), {key: made}, receipt.stamp)
    detail = {"outcome": verdict.outcome, **read.hashes, **(queued[key].detail if key in queued else {})}
    append_entry(tx, receipt, Happening(Action.CHECK_TAKEN, key, "accepted", None, detail))
    answer = {
        "id": content["id"],
        "outcome": verdict.outcome,
        "reasons": reasons,
        "warnings": [warning.as_json() for warning in read.warnings],
        "resources": list(queued[key].hashes) if key in queued else [],
    }
    check = StoredCheck(
        device_id=device_id,
        check_id=content["id"],
        checked_at=datetime.fromisoformat(content["checked_at"]),
        content=content,
        content_hash=read.content_hash,
        outcome=verdict.outcome,
        reasons=reasons,
        answer=answer,
    )
    keep_check(tx, check, receipt.actor, receipt.stamp)
    reading = read_clock_item(device_id, content["id"], content["items"].get("clock", {}))
    change_reading(tx, stages, key, reading, receipt)
    return Taken(201, answer)
