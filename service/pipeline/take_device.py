"""Registers devices and takes in their checks."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from typing import Any

from service.audit.append_entry import Action, Happening, append_entry
from service.intake.read_record import ReadRecord
from service.mapping.apply_mapping import MadeResource
from service.pipeline.keep_resources import RecordResource, device_owner, keep_changed
from service.pipeline.log_refusal import log_refusal
from service.pipeline.make_resources import make_check, make_device
from service.pipeline.remake_case import remake_clock
from service.pipeline.require_version import stale_version
from service.pipeline.stages import Answer, Stages, Taken, check_made
from service.problems import Code, Problem, ServiceProblem
from service.readiness.judge_check import judge_check
from service.readiness.judge_fleet import DeviceReadiness, readiness_of
from service.readiness.read_clock import newest_reading, read_clock_item
from service.records.readiness import JudgedCheck, Reason, Verdict
from service.records.receipts import Receipt
from service.storage.devices import (
    StoredCheck,
    StoredDevice,
    all_devices,
    find_check,
    find_device,
    keep_check,
    keep_device,
    keep_reading,
    newest_check,
    readings_of_clock,
)
from service.storage.statements import Transaction


def _device_body(device: StoredDevice) -> dict[str, Any]:
    return {"id": device.device_id, "version": device.version, **device.content}


def _in_record(made: list[MadeResource], record: str) -> list[RecordResource]:
    return [RecordResource(resource, record) for resource in made]


def take_device(
    tx: Transaction,
    stages: Stages,
    device_id: str,
    read: ReadRecord,
    receipt: Receipt,
    body: bytes,
    *,
    expected: int | None = None,
) -> Answer:
    """Register a device or amend what is known of it; the same content again changes nothing.

    `expected` is the version that the client has amended, where it says so.
    """
    subject = f"device:{device_id}"
    old = find_device(tx, device_id)
    if old is not None and old.registered and old.content_hash == read.content_hash:
        append_entry(tx, receipt, Happening(Action.DUPLICATE, subject, "duplicate"))
        return Taken(200, _device_body(old), repeated=True)
    if stale := stale_version(expected, old.version if old and old.registered else 0):
        return log_refusal(tx, receipt, subject, stale, body)
    made = make_device(stages, device_id, read.content, receipt)
    try:
        check_made(made)
    except ServiceProblem as problem:
        return log_refusal(tx, receipt, subject, problem.problems, body)
    device = StoredDevice(
        device_id,
        old.version + 1 if old else 1,
        registered=True,
        content=read.content,
        content_hash=read.content_hash,
    )
    keep_device(tx, device, receipt.stamp)
    detail = {"version": device.version, **read.hashes}
    append_entry(tx, receipt, Happening(Action.DEVICE_TAKEN, subject, "accepted", None, detail))
    keep_changed(tx, device_owner(device_id, subject), _in_record(made, subject), receipt)
    return Taken(200 if old and old.registered else 201, _device_body(device))


def take_check(
    tx: Transaction, stages: Stages, device_id: str, read: ReadRecord, receipt: Receipt, body: bytes
) -> Answer:
    """Keep a check with its verdict, its resources and what it says of the device's clock; or refuse it."""
    content = read.content
    subject = f"check:{device_id}/{content['id']}"
    device = find_device(tx, device_id)
    if device is None or not device.registered:
        return log_refusal(tx, receipt, subject, [_unknown_device(device_id)], body)
    old = find_check(tx, device_id, content["id"])
    if old is not None and old.content_hash == read.content_hash:
        append_entry(tx, receipt, Happening(Action.DUPLICATE, subject, "duplicate"))
        return Taken(201, old.answer, repeated=True)
    if old is not None:
        problem = Problem(Code.OTHER_CONTENT, "/id", "a check of this id was taken with other content", "a new id")
        return log_refusal(tx, receipt, subject, [problem], body)
    verdict = judge_check(content["items"], stages.vocabulary.check_items, content["checked_at"])
    reasons = [reason.says for reason in verdict.reasons]
    made = make_check(stages, device_id, content, (verdict.outcome, reasons), receipt)
    try:
        check_made(made)
    except ServiceProblem as refused:
        return log_refusal(tx, receipt, subject, refused.problems, body)
    detail = {"outcome": verdict.outcome, **read.hashes}
    append_entry(tx, receipt, Happening(Action.CHECK_TAKEN, subject, "accepted", None, detail))
    resources = keep_changed(tx, device_owner(device_id, subject), _in_record(made, subject), receipt)
    answer = {
        "id": content["id"],
        "outcome": verdict.outcome,
        "reasons": [_reason_body(reason) for reason in verdict.reasons],
        "warnings": [warning.as_json() for warning in read.warnings],
        "resources": resources,
    }
    keep_check(
        tx,
        StoredCheck(
            device_id=device_id,
            check_id=content["id"],
            checked_at=datetime.fromisoformat(content["checked_at"]),
            content=content,
            content_hash=read.content_hash,
            outcome=verdict.outcome,
            reasons=[_reason_body(reason) for reason in verdict.reasons],
            answer=answer,
        ),
        receipt.actor,
        receipt.stamp,
    )
    reading = read_clock_item(device_id, content["id"], content["items"].get("clock", {}))
    if reading is not None:
        keep_reading(tx, replace(reading, origin=subject))
        remake_clock(tx, stages, device_id, receipt)
    return Taken(201, answer)


def _unknown_device(device_id: str) -> Problem:
    expected = f"a device that was registered with PUT /v1/devices/{device_id}"
    return Problem(Code.UNKNOWN_DEVICE, "", "there is no device of this id", expected)


def _reason_body(reason: Reason) -> dict[str, str]:
    return {"reason": reason.word, "item": reason.item, "says": reason.says}


def _judged(check: StoredCheck | None) -> JudgedCheck | None:
    if check is None:
        return None
    reasons = tuple(Reason(reason["reason"], reason["item"], reason["says"]) for reason in check.reasons)
    outcome: Any = check.outcome
    return JudgedCheck(check.check_id, check.content["checked_at"], Verdict(outcome, reasons))


def _readiness_body(device: StoredDevice, readiness: DeviceReadiness) -> dict[str, Any]:
    return {
        "id": device.device_id,
        "outcome": readiness.outcome,
        "last_check_at": readiness.last_check_at,
        "due_at": readiness.due_at,
        "overdue": readiness.overdue,
        "reasons": [_reason_body(reason) for reason in readiness.reasons],
        "clock_offset_seconds": readiness.clock_offset_seconds,
    }


def fleet(tx: Transaction, now: datetime) -> list[dict[str, Any]]:
    """Return the readiness of every registered device at `now`, as the API shows it."""
    return [
        _readiness_body(
            device,
            readiness_of(
                device.content,
                _judged(newest_check(tx, device.device_id)),
                now,
                newest_reading(readings_of_clock(tx, device.device_id)),
            ),
        )
        for device in all_devices(tx)
        if device.registered
    ]
