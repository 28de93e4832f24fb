"""Makes the resources of the events of a case and of the spans among them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any

from service.exact_json import content_hash
from service.making.frame_case import CaseFrame, span_reference
from service.making.make_device import device_reference
from service.making.record_resource import RecordResource, in_record
from service.making.stages import Stages
from service.mapping.record_values import event_values, reference_values
from service.mapping.retract_resource import retract_resource
from service.records.clocks import CorrectedTime
from service.records.events import RecordedEvent
from service.records.record_keys import event_key, span_key
from service.records.spans import CASE, Span
from service.records.timeline import Timeline
from service.timeline.find_spans import find_spans


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
    if event.retracted:
        made = [replace(resource, body=retract_resource(resource.body)) for resource in made]
    return in_record(made, event_key(frame.case_id, event.id))


def make_span(stages: Stages, frame: CaseFrame, span: Span, timeline: Timeline) -> list[RecordResource]:
    """Return the resources of one span; its fields are those of its first and its last record."""
    shape = stages.vocabulary.spans[span.name]
    first: Mapping[str, Any] = span.start_event.content if span.start_event else frame.content
    last: Mapping[str, Any] = span.end_event.content if span.end_event else {}
    values: dict[str, Any] = {
        **frame.shared,
        **{name: value for name, value in {**last, **first}.items() if name in shape.fields},
        "record_key": f"{frame.case_id}/{span.start}",
        "span_status": "completed" if span.end_event else "in-progress",
    }
    started: datetime | None = frame.started_at
    if span.start_event is not None:
        time = timeline.time_of(span.start_event)
        started, values["started"] = time.order_at, time.text
        if "device" in span.start_event.content:
            values |= reference_values({"device": device_reference(stages, span.start_event.content["device"])})
    elif "started_at" in frame.content:
        values["started"] = frame.content["started_at"]
    if span.end_event is not None:
        time = timeline.time_of(span.end_event)
        # A period that ends before it begins is no period (per-1); the timeline shows the conflict.
        if started is None or time.order_at >= started:
            values["ended"] = time.text
    made = stages.mappings.spans[span.name].apply(
        stages.source, ("span", frame.case_id, span.name, span.start), values
    )
    return in_record(made, span_key(frame.case_id, span.name, span.start))


def document_references(made: Iterable[RecordResource]) -> list[str]:
    """Return the references by which a strip names what an event made: all of it but the Provenance."""
    return [resource.made.reference for resource in made if resource.made.resource_type != "Provenance"]


def _span_references(stages: Stages, case_id: str, spans: Iterable[Span]) -> dict[str, dict[str, str]]:
    """Return, for each event that has a part in a span, the references by the anchors' names."""
    references: dict[str, dict[str, str]] = {}
    for span in spans:
        if span.start != CASE:
            rule = stages.vocabulary.spans[span.name].span
            literal = span_reference(stages, case_id, span.name, span.start)
            for event in span.events:
                references.setdefault(event.id, {})[rule.anchor] = literal
    return references


def make_events(
    stages: Stages,
    frame: CaseFrame,
    timeline: Timeline,
    spans: Iterable[Span],
    events: Iterable[RecordedEvent],
    documented: Mapping[str, Sequence[str]] | None = None,
) -> list[RecordResource]:
    """Return the resources of `events`, which are on the timeline; `spans` are those in which they have a part.

    `documented` holds the references to the resources of events that a strip among `events` documents without
    being among them itself, by the id of the event.
    """
    references = _span_references(stages, frame.case_id, spans)
    literals: dict[str, Sequence[str]] = dict(documented or {})
    made: list[RecordResource] = []
    # A strip names what the event it documents has made, so it is made after that.
    for event in sorted(events, key=lambda event: "documents" in event.content):
        documents = literals.get(event.content.get("documents", ""), ())
        own = make_event(stages, frame, event, timeline.time_of(event), references.get(event.id, {}), documents)
        literals[event.id] = document_references(own)
        made.extend(own)
    return made


def make_timeline(stages: Stages, frame: CaseFrame, timeline: Timeline) -> list[RecordResource]:
    """Return the resources of all events of a case and of the spans among them, those of the case left out."""
    spans = [
        span for name, shape in stages.vocabulary.spans.items() for span in find_spans(name, shape.span, timeline)
    ]
    made = make_events(stages, frame, timeline, spans, timeline.events)
    return made + [resource for span in spans for resource in make_span(stages, frame, span, timeline)]
