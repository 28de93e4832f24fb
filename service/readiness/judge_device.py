"""Judges one device at the present moment: its last check, when the next is due, and its clock."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from service.records.clocks import ClockReading
from service.records.instants import parse_instant, shift_instant
from service.records.readiness import JudgedCheck, ReadinessOutcome, Reason


@dataclass(frozen=True, slots=True)
class DeviceReadiness:
    """One device of GET /v1/devices, in the members of the API contract; its id the caller knows.

    `outcome` is that of the last check, and None where the device was never checked.
    """

    outcome: ReadinessOutcome | None
    last_check_at: str | None
    due_at: str | None
    overdue: bool
    reasons: tuple[Reason, ...]
    clock_offset_seconds: float | None


def readiness_of(
    device: Mapping[str, Any],
    last_check: JudgedCheck | None,
    now: datetime,
    clock_reading: ClockReading | None,
) -> DeviceReadiness:
    """Return the readiness of the device with the content `device` at `now` (UTC).

    `due_at` is the time of the last check plus `check_interval_hours`, in the offset of that check; None where the
    device has no interval or was never checked. A device with an interval is overdue after that moment (not yet
    at it), and where it was never checked. A device without an interval never is.

    Units: s for the clock offset (device minus reference).
    Source: common practice, no source.
    """
    interval_hours = device.get("check_interval_hours")
    due_at = (
        None
        if last_check is None or interval_hours is None
        else shift_instant(last_check.checked_at, float(interval_hours) * 3600)
    )
    return DeviceReadiness(
        outcome=None if last_check is None else last_check.verdict.outcome,
        last_check_at=None if last_check is None else last_check.checked_at,
        due_at=due_at,
        overdue=interval_hours is not None and (due_at is None or now > parse_instant(due_at)),
        reasons=() if last_check is None else last_check.verdict.reasons,
        clock_offset_seconds=None if clock_reading is None else clock_reading.offset_seconds,
    )
