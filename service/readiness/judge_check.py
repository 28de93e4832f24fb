"""Judges one device check: what its items, by the rules beside their fields, mean for the device."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import date, datetime
from typing import Any

from service.records.instants import parse_instant
from service.records.readiness import CheckVerdict, ReadinessOutcome, Reason
from service.vocabulary.record_shapes import RecordShape

NOTHING_CHECKED = Reason("nothing_checked", "", "Nothing was checked, so readiness is unknown; check the device.")
"""The one reason that is in no mapping file, since no item gives it."""

_SEVERITY: dict[ReadinessOutcome, int] = {"ready": 0, "ready_with_fault": 1, "not_ready": 2}


def judge_check(
    items: Mapping[str, Mapping[str, Any]], shapes: Mapping[str, RecordShape], checked_at: str
) -> CheckVerdict:
    """Return what a check at `checked_at` (RFC 3339) amounts to: the worst of all judgements that hold.

    Every judgement that holds gives a reason, in the order of the items and of their rules. A check without any
    item leaves the device not ready. `items` has passed intake: each has a shape, nulls are left out.

    Shape: beside the fields of its item, a judgement's condition may ask for what `item_facts` adds.
    Source: stands beside each judgement in mappings/check_items.
    """
    if not items:
        return CheckVerdict("not_ready", (NOTHING_CHECKED,))
    outcome: ReadinessOutcome = "ready"
    reasons: list[Reason] = []
    for name, item in items.items():
        record = {**item, **dict(item_facts(item, shapes[name], checked_at))}
        for judgement in shapes[name].judgements:
            if judgement.holds(record):
                outcome = max(outcome, judgement.outcome, key=_SEVERITY.__getitem__)
                reasons.append(Reason(judgement.reason, name, judgement.says))
    return CheckVerdict(outcome, tuple(reasons))


def item_facts(item: Mapping[str, Any], shape: RecordShape, checked_at: str) -> Iterator[tuple[str, int | float]]:
    """Yield what a condition cannot calculate from the fields of an item alone.

    `FIELD.days_left` for each date: full days from the day of the check to it, negative where it has passed.
    `offset_seconds` where both clocks were read: device minus reference, positive where the device is fast.

    Units: d, s.
    """
    # The day of the check is that of the place where it was done, so its own offset counts and not UTC.
    day_of_check = datetime.fromisoformat(checked_at).date()
    for field in shape.fields.values():
        if field.type == "date" and field.name in item:
            yield f"{field.name}.days_left", (date.fromisoformat(item[field.name]) - day_of_check).days
    if "device_at" in item and "reference_at" in item:
        offset = parse_instant(item["device_at"]) - parse_instant(item["reference_at"])
        yield "offset_seconds", offset.total_seconds()
