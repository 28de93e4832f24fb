"""Maps and checks a case or an event without keeping anything."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from service.checking.check_resource import WHAT_IS_NOT_CHECKED, check_resource
from service.intake.read_problems import json_pointer
from service.intake.read_record import ReadRecord, read_event, read_record
from service.making.frame_case import frame_case
from service.making.make_device import make_device
from service.making.make_events import make_timeline
from service.making.record_resource import RecordResource, in_record
from service.making.stages import Stages
from service.problems import Code, Problem, Rejected
from service.records.events import RecordedEvent
from service.records.receipts import Receipt
from service.records.record_keys import case_key
from service.timeline.correct_times import NO_HISTORY, place_events

_CASE = "preview"
_NAMELESS_CASE = {"patient": {"unidentified": True, "label": "preview"}}
_WANTED = "an event, or {'case': …, 'events': […]}, either of them left out where it is not wanted"


def _parts(value: object) -> tuple[object, Sequence[object], str]:
    """Return the case and the events of a request, and the pointer to the events (without their number)."""
    if isinstance(value, dict) and "kind" in value:
        return _NAMELESS_CASE, [value], ""
    if not isinstance(value, dict) or not value:
        raise Rejected([Problem(Code.WRONG_TYPE, "", "neither an event nor a case with events", _WANTED)])
    unknown = [name for name in value if name not in ("case", "events")]
    if unknown:
        raise Rejected(
            [
                Problem(Code.UNKNOWN_FIELD, json_pointer([name]), f"there is no field {name[:64]!r} here", _WANTED)
                for name in unknown
            ]
        )
    events = value.get("events", [])
    if not isinstance(events, list):
        raise Rejected([Problem(Code.WRONG_TYPE, "/events", "the value is of the wrong type", "a list of events")])
    return value.get("case", _NAMELESS_CASE), events, "/events"


def _read_all(stages: Stages, value: object) -> tuple[ReadRecord, list[ReadRecord]]:
    case, events, pointer = _parts(value)
    problems: list[Problem] = []
    read_events: list[ReadRecord] = []
    read_case = None
    try:
        read_case = read_record(case, stages.vocabulary.case)
    except Rejected as rejected:
        problems.extend(problem.below("/case") for problem in rejected.problems)
    for number, event in enumerate(events):
        try:
            read_events.append(read_event(event, stages.vocabulary))
        except Rejected as rejected:
            place = f"{pointer}/{number}" if pointer else ""
            problems.extend(problem.below(place) for problem in rejected.problems)
    if problems or read_case is None:
        raise Rejected(problems)
    return read_case, read_events


def preview(stages: Stages, value: object, now: datetime) -> dict[str, Any]:
    """Return the Bundle that a case or an event would make, what the checks find in it, and what they cannot see.

    Raises Rejected with all problems of what was sent.
    """
    case, events = _read_all(stages, value)
    frame = frame_case(stages, _CASE, case.content, now)
    recorded = [
        RecordedEvent(
            _CASE,
            event.content["id"],
            event.content["kind"],
            1,
            retracted=False,
            content=event.content,
            received_at=now,
        )
        for event in events
    ]
    made: list[RecordResource] = in_record(frame.resources, case_key(_CASE))
    for device_id in sorted({event.content["device"] for event in events if "device" in event.content}):
        made.extend(make_device(stages, device_id, {}, Receipt("preview", now)))
    made.extend(make_timeline(stages, frame, place_events(recorded, lambda _: NO_HISTORY, frame.started_at)))
    bundle = {
        "resourceType": "Bundle",
        "type": "collection",
        "entry": [{"fullUrl": f"urn:uuid:{resource.made.id}", "resource": resource.made.body} for resource in made],
    }
    findings = [
        {
            "resource": resource.made.reference,
            "rule": finding.rule,
            "path": finding.path,
            "message": finding.message,
            "severity": finding.severity,
            "mapping": resource.made.rule,
        }
        for resource in made
        for finding in check_resource(resource.made.body)
    ]
    warnings = [warning.as_json() for record in (case, *events) for warning in record.warnings]
    return {"bundle": bundle, "findings": findings, "warnings": warnings, "not_checked": list(WHAT_IS_NOT_CHECKED)}
