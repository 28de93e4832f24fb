"""Reads what a device check or an event says about a device's clock, for timeline and readiness."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from service.records.clocks import READING_PRECISION_SECONDS, ClockReading
from service.records.events import RecordedEvent
from service.records.instants import parse_instant
from service.records.record_keys import check_key, event_key

CLOCK_KIND = "clock_compared"
"""The kind of event that compares clocks."""


def read_clock_item(clock: str, check_id: str, item: Mapping[str, Any]) -> ClockReading | None:
    """Return the reading in the `clock` item of a check of the device `clock`; None where half of it is missing."""
    return _reading(clock, check_key(clock, check_id), item)


def read_clock_comparison(event: RecordedEvent) -> ClockReading | None:
    """Return the reading in a `clock_compared` event, whose device is the clock; None for any other event.

    None also where the event was retracted, or names no device, or lacks one of the two times.
    """
    device = event.content.get("device")
    if event.kind != CLOCK_KIND or event.retracted or device is None:
        return None
    return _reading(device, event_key(event.case_id, event.id), event.content)


def _reading(clock: str, record_key: str, content: Mapping[str, Any]) -> ClockReading | None:
    device_at, reference_at = content.get("device_at"), content.get("reference_at")
    if device_at is None or reference_at is None:
        return None
    return ClockReading(
        clock=clock,
        device_at=parse_instant(device_at),
        reference_at=parse_instant(reference_at),
        record_key=record_key,
        precision_seconds=float(content.get("precision_seconds", READING_PRECISION_SECONDS)),
    )
