"""Makes the resources of a case anew where a change of one record changes what the others say."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import replace

from service.exact_json import content_hash, read_json
from service.mapping.apply_mapping import MadeResource
from service.mapping.retract_resource import retract_resource
from service.pipeline.keep_resources import RecordResource, case_owner, device_owner, keep_by_record, keep_changed
from service.pipeline.make_resources import frame_case, make_device, make_events_and_spans
from service.pipeline.stages import CaseFrame, Stages, check_made
from service.records.clocks import ClockReading
from service.records.events import RecordedEvent
from service.records.receipts import Receipt
from service.storage.cases import case_version, find_case
from service.storage.devices import StoredDevice, find_device, keep_device, readings_of_clock
from service.storage.events import events_of_case, events_of_clock, events_of_kind
from service.storage.resources import StoredResource, resources_of_records
from service.storage.statements import Transaction

STRIP_KIND = "ecg_strip"
"""The kind of event that documents others."""


def spans_of_kind(stages: Stages, kind: str) -> frozenset[str]:
    """Return the names of the spans in which events of a kind have a part."""
    return frozenset(name for name, shape in stages.vocabulary.spans.items() if kind in shape.span.kinds)


def kinds_of_spans(stages: Stages, names: Collection[str]) -> frozenset[str]:
    """Return all event kinds that have a part in the spans `names`."""
    kinds: frozenset[str] = frozenset()
    for name in names:
        kinds |= stages.vocabulary.spans[name].span.kinds
    return kinds


def readings_for(tx: Transaction, events: Iterable[RecordedEvent]) -> dict[str, Sequence[ClockReading]]:
    """Return the readings of every clock that timed one of `events`."""
    clocks = {event.clock for event in events if event.clock is not None}
    return {clock: readings_of_clock(tx, clock) for clock in sorted(clocks)}


def ensure_devices(tx: Transaction, stages: Stages, events: Iterable[RecordedEvent], receipt: Receipt) -> None:
    """Keep every device that an event names for the first time, so that its resource is there to refer to."""
    for device_id in sorted({event.content["device"] for event in events if "device" in event.content}):
        if find_device(tx, device_id) is None:
            keep_device(tx, StoredDevice(device_id, 1, registered=False, content={}, content_hash=content_hash({})),
                        receipt.stamp)  # fmt: skip
            record = f"device:{device_id}"
            made = [RecordResource(resource, record) for resource in make_device(stages, device_id, {}, receipt)]
            keep_changed(tx, device_owner(device_id, record), made, receipt)


def events_to_remake(tx: Transaction, stages: Stages, changed: RecordedEvent) -> list[RecordedEvent]:
    """Return the changed event with those in spans of its kind, and the strips that document it."""
    spans = spans_of_kind(stages, changed.kind)
    kept = events_of_case(tx, changed.case_id, kinds_of_spans(stages, spans)) if spans else []
    strips = [
        strip
        for strip in events_of_kind(tx, changed.case_id, STRIP_KIND)
        if strip.content.get("documents") == changed.id
    ]
    return [event for event in [*kept, *strips] if event.id != changed.id] + [changed]


def _documented(tx: Transaction, events: Sequence[RecordedEvent]) -> dict[str, list[str]]:
    """Return the references to what was made of the events that a strip documents, by the id of the event."""
    return {
        document: [
            f"{stored.resource_type}/{stored.resource_id}"
            for stored in resources_of_records(tx, [f"event:{event.case_id}/{document}"])
            if stored.resource_type != "Provenance"
        ]
        for event in events
        if (document := event.content.get("documents")) is not None
    }


def make_after_change(
    tx: Transaction, stages: Stages, frame: CaseFrame, changed: RecordedEvent
) -> list[RecordResource]:
    """Return the checked resources of a changed event, of its spans and of the events inside them.

    Raises Invalid where a resource would break FHIR R4.
    """
    events = events_to_remake(tx, stages, changed)
    names = spans_of_kind(stages, changed.kind)
    made = make_events_and_spans(stages, frame, events, readings_for(tx, events), names, _documented(tx, events))
    if names:
        made.extend(_gone_spans(tx, frame, names, events, made))
    check_made([resource.made for resource in made])
    return made


def _gone_spans(
    tx: Transaction,
    frame: CaseFrame,
    names: Collection[str],
    events: Sequence[RecordedEvent],
    made: Sequence[RecordResource],
) -> list[RecordResource]:
    """Return, as entered in error, the spans that were made before and are no more, since an event has changed."""
    records = {f"span:{frame.case_id}/{name}/{event.id}" for name in names for event in events}
    still_made = {resource.record for resource in made}
    return [_retracted(stored) for stored in resources_of_records(tx, sorted(records - still_made))]


def _retracted(stored: StoredResource) -> RecordResource:
    body = retract_resource(read_json(stored.body))
    return RecordResource(
        MadeResource(stored.resource_type, stored.resource_id, "span", stored.rule, body), stored.record
    )


def make_all(tx: Transaction, stages: Stages, frame: CaseFrame) -> list[RecordResource]:
    """Return the checked resources of all events and spans of a case, those of the case itself left out.

    Raises Invalid where a resource would break FHIR R4.
    """
    events = events_of_case(tx, frame.case_id)
    made = make_events_and_spans(stages, frame, events, readings_for(tx, events))
    made.extend(_gone_spans(tx, frame, list(stages.vocabulary.spans), events, made))
    check_made([resource.made for resource in made])
    return made


_MOST_FRAMES = 512


def find_frame(tx: Transaction, stages: Stages, case_id: str) -> CaseFrame | None:
    """Return the frame of a case as it stands; None where there is no such case."""
    version = case_version(tx, case_id)
    if version is None:
        return None
    frame = stages.frames.get((case_id, version))
    if frame is None:
        case = find_case(tx, case_id)
        if case is None:
            return None
        frame = frame_case(stages, case_id, case.content, case.opened_at)
        if len(stages.frames) >= _MOST_FRAMES:
            stages.frames.pop(next(iter(stages.frames)))
        stages.frames[case_id, version] = frame
    return frame


def remake_clock(tx: Transaction, stages: Stages, clock: str, receipt: Receipt) -> None:
    """Make the resources of all cases anew in which a clock timed an event, since its readings have changed."""
    for case_id in dict.fromkeys(event.case_id for event in events_of_clock(tx, clock)):
        frame = find_frame(tx, stages, case_id)
        if frame is not None:
            keep_by_record(tx, case_owner(case_id, f"clock:{clock}"), make_all(tx, stages, frame), receipt)


def with_retraction(event: RecordedEvent, receipt: Receipt) -> RecordedEvent:
    """Return the next version of an event, which says that it was entered in error."""
    return replace(event, version=event.version + 1, retracted=True, received_at=receipt.received_at)
