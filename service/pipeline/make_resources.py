"""Makes the FHIR resources of cases, events, spans and checks out of records; nothing is kept here."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from functools import lru_cache
from typing import Any

from service.exact_json import content_hash
from service.mapping.apply_mapping import MadeResource
from service.mapping.record_values import corrected_text, event_values, prefixed, reference_values
from service.mapping.resource_ids import resource_id
from service.mapping.retract_resource import retract_resource
from service.pipeline.keep_resources import RecordResource
from service.pipeline.stages import CaseFrame, Stages
from service.records.clocks import ClockReading, CorrectedTime
from service.records.events import RecordedEvent
from service.records.instants import format_instant, parse_instant
from service.records.receipts import Receipt
from service.records.spans import Span
from service.timeline.correct_times import correct_times
from service.timeline.find_spans import find_spans

SPAN_ROLE = "span"


def device_reference(stages: Stages, device_id: str) -> str:
    """Return the reference to the resource of a device, registered or not."""
    return _device_literal(stages.source, device_id)


@lru_cache(maxsize=4096)
def _device_literal(source: str, device_id: str) -> str:
    """Return the reference to a device; remembered, since many events come from few devices."""
    return f"Device/{resource_id((source, 'device', device_id, 'device'))}"


def span_id(stages: Stages, case_id: str, name: str, start: str) -> str:
    """Return the id of a span's resource; `start` is the id of its first event, or `case`."""
    return resource_id((stages.source, "span", case_id, name, start, SPAN_ROLE))


def frame_case(stages: Stages, case_id: str, content: Mapping[str, Any], opened_at: datetime) -> CaseFrame:
    """Return the frame of a case, with the anchors made from it; `opened_at` is when it was first taken."""
    values: dict[str, Any] = {
        **content,
        "case_id": case_id,
        "installation": stages.source,
        "record_key": case_id,
        "received": format_instant(opened_at),
    }
    if "started_at" in content:
        values["started"] = content["started_at"]
    anchors = {
        shape.span.anchor: f"Procedure/{span_id(stages, case_id, name, 'case')}"
        for name, shape in stages.vocabulary.spans.items()
        if "case" in shape.span.starts
    }
    made = stages.mappings.case.apply(stages.source, ("case", case_id), {**values, **reference_values(anchors)})
    references = {resource.role: resource.reference for resource in made} | anchors
    shared = {
        **prefixed(content, "case"),
        **reference_values(references),
        "case_id": case_id,
        "installation": stages.source,
    }
    return CaseFrame(case_id, content, tuple(made), shared)


def make_event(
    stages: Stages,
    frame: CaseFrame,
    event: RecordedEvent,
    corrected: CorrectedTime,
    references: Mapping[str, str],
    documented: Sequence[str] = (),
) -> list[RecordResource]:
    """Return the resources of one event; a retracted one gives resources that say so of themselves.

    `documented` are the references to the resources of the event that this one documents.
    """
    if "device" in event.content:
        references = {**references, "device": device_reference(stages, event.content["device"])}
    values = event_values(
        event,
        corrected,
        content_hash(event.content),
        {**frame.shared, **reference_values(references)},
        stages.vocabulary.tables,
    )
    if documented:
        values["document_references"] = [{"reference": literal} for literal in documented]
    made = stages.mappings.events[event.kind].apply(stages.source, ("event", frame.case_id, event.id), values)
    record = f"event:{frame.case_id}/{event.id}"
    if event.retracted:
        made = [replace(resource, body=retract_resource(resource.body)) for resource in made]
    return [RecordResource(resource, record) for resource in made]


def make_span(
    stages: Stages, frame: CaseFrame, span: Span, corrected: Mapping[str, CorrectedTime]
) -> list[RecordResource]:
    """Return the resources of one span; its fields are those of its first and its last record."""
    start = span.start_event.id if span.start_event else "case"
    shape = stages.vocabulary.spans[span.name]
    first: Mapping[str, Any] = span.start_event.content if span.start_event else frame.content
    last: Mapping[str, Any] = span.end_event.content if span.end_event else {}
    taken = {name: value for name, value in {**last, **first}.items() if name in shape.fields}
    values: dict[str, Any] = {
        **frame.shared,
        **taken,
        "record_key": f"{frame.case_id}/{start}",
        "span_status": "completed" if span.end_event else "in-progress",
    }
    if span.start_event is not None:
        values["started"] = corrected_text(corrected[span.start_event.id])
        if "device" in span.start_event.content:
            values |= reference_values({"device": device_reference(stages, span.start_event.content["device"])})
    elif "started_at" in frame.content:
        values["started"] = frame.content["started_at"]
    if span.end_event is not None:
        ended = corrected_text(corrected[span.end_event.id])
        # A period that ends before it begins is no period (per-1); the timeline shows the conflict.
        if "started" not in values or parse_instant(ended) >= parse_instant(values["started"]):
            values["ended"] = ended
    made = stages.mappings.spans[span.name].apply(stages.source, ("span", frame.case_id, span.name, start), values)
    record = f"span:{frame.case_id}/{span.name}/{start}"
    return [RecordResource(resource, record) for resource in made]


def document_references(made: Iterable[RecordResource]) -> list[str]:
    """Return the references by which a strip names what an event made: all of it but the Provenance."""
    return [resource.made.reference for resource in made if resource.made.resource_type != "Provenance"]


def span_references(stages: Stages, frame: CaseFrame, spans: Iterable[Span]) -> dict[str, dict[str, str]]:
    """Return, for each event that has a part in a span, the references by the anchors' names."""
    references: dict[str, dict[str, str]] = {}
    for span in spans:
        if span.start_event is None:
            continue
        rule = stages.vocabulary.spans[span.name].span
        literal = f"Procedure/{span_id(stages, frame.case_id, span.name, span.start_event.id)}"
        for event in span.events:
            references.setdefault(event.id, {})[rule.anchor] = literal
    return references


def make_events_and_spans(
    stages: Stages,
    frame: CaseFrame,
    events: Sequence[RecordedEvent],
    readings: Mapping[str, Sequence[ClockReading]],
    wanted: Iterable[str] | None = None,
    documented: Mapping[str, Sequence[str]] | None = None,
) -> list[RecordResource]:
    """Return the resources of `events` and of the spans among them, those of the case itself left out.

    `wanted` names the spans to be found; all of them where it is None. `events` must hold every event of the
    kinds that take part in the wanted spans. `documented` holds the references to the resources of events that
    a strip among `events` documents without being among them itself, by the id of the event.
    """
    corrected = correct_times(events, readings)
    rules = {
        name: shape.span for name, shape in stages.vocabulary.spans.items() if wanted is None or name in wanted
    }
    started = frame.content.get("started_at")
    spans = find_spans(rules, events, corrected, parse_instant(started) if started else None)
    references = span_references(stages, frame, spans)
    made: list[RecordResource] = []
    literals: dict[str, Sequence[str]] = dict(documented or {})
    for event in sorted(events, key=lambda event: "documents" in event.content):
        documents = literals.get(event.content.get("documents", ""), ())
        own = make_event(stages, frame, event, corrected[event.id], references.get(event.id, {}), documents)
        literals[event.id] = document_references(own)
        made.extend(own)
    for span in spans:
        made.extend(make_span(stages, frame, span, corrected))
    return made


def make_device(stages: Stages, device_id: str, content: Mapping[str, Any], receipt: Receipt) -> list[MadeResource]:
    """Return the resources of a device."""
    values = {
        **content,
        "device_id": device_id,
        "installation": stages.source,
        "record_key": device_id,
        "received": format_instant(receipt.received_at),
    }
    return stages.mappings.device.apply(stages.source, ("device", device_id), values)


def make_check(
    stages: Stages,
    device_id: str,
    content: Mapping[str, Any],
    verdict: tuple[str, Sequence[str]],
    receipt: Receipt,
) -> list[MadeResource]:
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
    return [*items, *stages.mappings.check.apply(stages.source, ("check", device_id, check_id), values)]
