"""Shows the readiness of the registered devices."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from service.readiness.judge_device import DeviceReadiness, readiness_of
from service.records.readiness import CheckVerdict, JudgedCheck, Reason
from service.storage.clock_readings import newest_reading
from service.storage.devices import StoredCheck, StoredDevice, all_devices, newest_check
from service.storage.statements import Transaction


def reason_body(reason: Reason) -> dict[str, str]:
    """Return a reason as the API shows it."""
    return {"reason": reason.word, "item": reason.item, "says": reason.says}


def _judged(check: StoredCheck | None) -> JudgedCheck | None:
    if check is None:
        return None
    reasons = tuple(Reason(reason["reason"], reason["item"], reason["says"]) for reason in check.reasons)
    outcome: Any = check.outcome
    return JudgedCheck(check.check_id, check.content["checked_at"], CheckVerdict(outcome, reasons))


def _readiness_body(device: StoredDevice, readiness: DeviceReadiness) -> dict[str, Any]:
    return {
        "id": device.device_id,
        "outcome": readiness.outcome,
        "last_check_at": readiness.last_check_at,
        "due_at": readiness.due_at,
        "overdue": readiness.overdue,
        "reasons": [reason_body(reason) for reason in readiness.reasons],
        "clock_offset_seconds": readiness.clock_offset_seconds,
    }


def read_devices(tx: Transaction, now: datetime) -> list[dict[str, Any]]:
    """Return the readiness of every registered device at `now`, as the API shows it."""
    return [
        _readiness_body(
            device,
            readiness_of(
                device.content,
                _judged(newest_check(tx, device.device_id)),
                now,
                newest_reading(tx, device.device_id),
            ),
        )
        for device in all_devices(tx)
        if device.registered
    ]
