"""Makes the resources of the examples: those that ship with the service, and the one in each mapping file.

Nothing is kept; the examples are taken as if they had just arrived, at a moment that stands still.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from service.exact_json import read_json
from service.intake.read_check import read_check
from service.intake.read_record import read_event, read_record
from service.making.frame_case import frame_case
from service.making.make_device import make_check, make_device
from service.making.make_events import make_timeline
from service.making.record_resource import RecordResource, in_record
from service.making.stages import Stages
from service.readiness.judge_check import judge_check
from service.readiness.read_clock import read_clock_item
from service.records.clocks import ClockReading
from service.records.events import RecordedEvent
from service.records.receipts import Receipt
from service.records.record_keys import case_key
from service.timeline.correct_times import NO_HISTORY, ClockHistory, place_events

TAKEN_AT = datetime(2031, 3, 2, 12, tzinfo=UTC)
_RECEIPT = Receipt("example", TAKEN_AT)
_CASE, _DEVICE = "c-example", "D-3"
_LEAST = {"id": "e-1", "at": "2031-03-02T10:02:05+01:00"}


def make_case_records(
    stages: Stages,
    case: object,
    events: Sequence[object],
    readings: Sequence[ClockReading] = (),
    case_id: str = _CASE,
) -> list[RecordResource]:
    """Return the resources of a case with `events` and of the devices that these name.

    `readings` are those of the device of the examples. Raises Rejected where a record cannot be taken.
    """
    frame = frame_case(stages, case_id, read_record(case, stages.vocabulary.case).content, TAKEN_AT)
    recorded = [
        RecordedEvent(
            case_id, content["id"], content["kind"], 1, retracted=False, content=content, received_at=TAKEN_AT
        )
        for content in (read_event(event, stages.vocabulary).content for event in events)
    ]
    made = in_record(frame.resources, case_key(case_id))
    for device_id in sorted({event.content["device"] for event in recorded if "device" in event.content}):
        made += make_device(stages, device_id, {}, _RECEIPT)
    history = ClockHistory(readings)
    timeline = place_events(recorded, lambda clock: history if clock == _DEVICE else NO_HISTORY, frame.started_at)
    return made + make_timeline(stages, frame, timeline)


def make_check_records(stages: Stages, device: Mapping[str, Any], check: object) -> list[RecordResource]:
    """Return the resources of a device and of a check of it; Rejected where the check cannot be taken."""
    content = read_check(check, stages.vocabulary).content
    verdict = judge_check(content["items"], stages.vocabulary.check_items, content["checked_at"])
    reasons = [reason.says for reason in verdict.reasons]
    made = make_check(stages, _DEVICE, content, (verdict.outcome, reasons), _RECEIPT)
    return [*make_device(stages, _DEVICE, device, _RECEIPT), *made]


def example_event(stages: Stages, kind: str) -> dict[str, Any]:
    """Return the example of an event kind."""
    return {**_LEAST, **(stages.vocabulary.events[kind].example or {}), "kind": kind}


def _span_events(stages: Stages, name: str) -> list[dict[str, Any]]:
    """Return the fewest events that begin and end a span, one after the other."""
    rule = stages.vocabulary.spans[name].span
    kinds = [sorted(rule.starts - {"case"})[:1], sorted(rule.ends)[:1]]
    return [
        {**example_event(stages, kind), "id": f"e-{number}", "at": f"2031-03-02T10:0{number}:00+01:00"}
        for number, kind in enumerate((kind for some in kinds for kind in some), start=1)
    ]


def make_records_of_kind(stages: Stages, kind: str, event: object | None = None) -> list[RecordResource]:
    """Return the resources that the example of a kind makes, and nothing of what surrounds it.

    `kind` is an event kind, a check item, a span, or case, device, check; KeyError where it is none of them.
    `event` takes the place of the example of an event kind; Rejected where it cannot be taken.
    """
    vocabulary = stages.vocabulary
    case = vocabulary.case.example
    if kind in vocabulary.events:
        own = make_case_records(stages, case, [event or example_event(stages, kind)])
        return [one for one in own if one.record.startswith("event:")]
    if kind in vocabulary.spans:
        made = make_case_records(stages, case, _span_events(stages, kind))
        return [one for one in made if one.record.startswith(f"span:{_CASE}/{kind}/")]
    if kind in vocabulary.check_items:
        items = {kind: vocabulary.check_items[kind].example}
        made = make_check_records(stages, {}, {**vocabulary.check.example, "items": items})
        return [one for one in made if one.made.rule.startswith("check_items/")]
    whole = {
        "case": lambda: make_case_records(stages, case, []),
        "device": lambda: make_check_records(stages, vocabulary.device.example, _every_item(stages)),
        "check": lambda: make_check_records(stages, {}, _every_item(stages)),
    }
    return [one for one in whole[kind]() if one.made.rule.startswith(f"records/{kind}.yaml")]


def _every_item(stages: Stages) -> dict[str, Any]:
    vocabulary = stages.vocabulary
    items = {name: shape.example for name, shape in vocabulary.check_items.items() if shape.example}
    return {**vocabulary.check.example, "items": items}


def make_examples(stages: Stages, folder: Path) -> Iterator[tuple[str, list[RecordResource]]]:
    """Yield the name of every example with the resources that are made of it and of what it needs around it.

    `folder` holds the examples that ship with the service; those of the event kinds follow, as `kinds/KIND`, and
    for each kind the least that is taken, as `least/KIND`.
    """

    def read(name: str) -> Any:
        return read_json((folder / name).read_bytes())

    check = read("device-check/check.json")
    reading = read_clock_item(_DEVICE, check["id"], check["items"].get("clock", {}))
    readings = [] if reading is None else [reading]
    yield "device-check", make_check_records(stages, read("device-check/device.json"), check)
    yield "every-item", make_check_records(stages, {}, _every_item(stages))
    for name in sorted(file.parent.name for file in folder.glob("*/case.json")):
        yield name, make_case_records(stages, read(f"{name}/case.json"), read(f"{name}/events.json"), readings)
    case = stages.vocabulary.case.example
    for kind in stages.vocabulary.events:
        yield f"kinds/{kind}", make_case_records(stages, case, [example_event(stages, kind)])
        yield f"least/{kind}", make_case_records(stages, case, [{**_LEAST, "kind": kind}])
