"""Makes the resources of a device and of its checks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import Any

from service.exact_json import content_hash
from service.making.record_resource import RecordResource, in_record
from service.making.stages import Stages
from service.mapping.apply_mapping import MadeResource
from service.mapping.record_values import prefixed, reference_values
from service.mapping.resource_ids import resource_id
from service.records.instants import format_instant
from service.records.receipts import Receipt
from service.records.record_keys import check_key, device_key


def device_reference(stages: Stages, device_id: str) -> str:
    """Return the reference to the resource of a device, registered or not."""
    return _device_literal(stages.source, device_id)


@lru_cache(maxsize=4096)
def _device_literal(source: str, device_id: str) -> str:
    """Return the reference to a device; remembered, since many events come from few devices."""
    return f"Device/{resource_id((source, 'device', device_id, 'device'))}"


def make_device(
    stages: Stages, device_id: str, content: Mapping[str, Any], receipt: Receipt
) -> list[RecordResource]:
    """Return the resources of a device."""
    values = {
        **content,
        "device_id": device_id,
        "installation": stages.source,
        "record_key": device_id,
        "received": format_instant(receipt.received_at),
    }
    return in_record(
        stages.mappings.device.apply(stages.source, ("device", device_id), values), device_key(device_id)
    )


def make_check(
    stages: Stages,
    device_id: str,
    content: Mapping[str, Any],
    verdict: tuple[str, Sequence[str]],
    receipt: Receipt,
) -> list[RecordResource]:
    """Return the resources of a check: one or more for each item, and those of the check as a whole.

    `verdict` holds the outcome and, in words, the reasons for it.
    """
    outcome, reasons = verdict
    check_id = content["id"]
    shared: dict[str, Any] = {
        **reference_values({"device": device_reference(stages, device_id)}),
        "device_id": device_id,
        "check_id": check_id,
        "installation": stages.source,
        "record_key": f"{device_id}/{check_id}",
        "content_hash": content_hash(content),
        "time": content["checked_at"],
        "received": format_instant(receipt.received_at),
        "version": 1,
        "activity": "create",
    }
    own = {name: value for name, value in content.items() if name != "items"}
    items: list[MadeResource] = []
    for name, item in content["items"].items():
        values = {**shared, **prefixed(own, "check"), **item}
        items.extend(
            stages.mappings.check_items[name].apply(stages.source, ("check", device_id, check_id, name), values)
        )
    values = {
        **shared,
        **own,
        "outcome": outcome,
        "member_references": [{"reference": resource.reference} for resource in items],
    }
    if reasons:
        values["reasons"] = " ".join(reasons)
    whole = stages.mappings.check.apply(stages.source, ("check", device_id, check_id), values)
    return in_record([*items, *whole], check_key(device_id, check_id))
