"""The keys by which outbox and audit log name a record: one spelling for each, written and read here alone."""

from __future__ import annotations

UNKNOWN_ID = "?"
"""Stands for the id of a record that could not be read."""


def case_key(case_id: str) -> str:
    """Return the key of a case; it is also the name of its lane in the outbox."""
    return f"case:{case_id}"


def event_key(case_id: str, event_id: object) -> str:
    """Return the key of an event of a case."""
    return f"event:{case_id}/{event_id}"


def span_key(case_id: str, name: str, start: str) -> str:
    """Return the key of a span; `start` is the id of its first event, or the word `case`."""
    return f"span:{case_id}/{name}/{start}"


def is_span_key(key: str) -> bool:
    """Return whether a key is that of a span."""
    return key.startswith("span:")


def device_key(device_id: str) -> str:
    """Return the key of a device; it is also the name of its lane in the outbox."""
    return f"device:{device_id}"


def check_key(device_id: str, check_id: object) -> str:
    """Return the key of a check of a device."""
    return f"check:{device_id}/{check_id}"


def delivery_key(delivery_id: int) -> str:
    """Return the key of a delivery."""
    return f"delivery:{delivery_id}"


def lane_key(lane: str) -> str:
    """Return the key by which the log names a lane of the outbox."""
    return f"lane:{lane}"


def word_of(key: str) -> str:
    """Return what sort of record a key names: `case`, `event`, `check` and so on."""
    return key.partition(":")[0]


def device_of(key: str) -> str:
    """Return the id of the device that `device_key` named."""
    return key.removeprefix("device:")


def check_of(key: str) -> tuple[str, str]:
    """Return device and id of the check that `check_key` named."""
    device_id, _, check_id = key.removeprefix("check:").partition("/")
    return device_id, check_id


def delivery_of(key: str) -> int:
    """Return the number of the delivery that `delivery_key` named."""
    return int(key.removeprefix("delivery:"))
