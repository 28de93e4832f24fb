"""Makes the resources of changed events, of the spans that they adjoin, and of what else follows from them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from service.exact_json import read_json
from service.making.check_made import check_made
from service.making.make_events import make_events, make_span
from service.making.record_resource import RecordResource
from service.mapping.apply_mapping import MadeResource
from service.mapping.retract_resource import retract_resource
from service.outbox.queue_resources import by_record
from service.reading.find_case import OpenCase
from service.records.events import RecordedEvent
from service.records.record_keys import event_key, is_span_key, span_key
from service.records.timeline import Timeline
from service.storage.events import documenting_events
from service.storage.resources import StoredResource, resources_of_records
from service.storage.statements import Transaction
from service.taking.adjoining_spans import Adjoining, Change, find_adjoining

_MOST_IN_ONE = 50
"""What a change of one event makes goes out together, unless it is more than so many resources."""


@dataclass(frozen=True, slots=True)
class MadeChanges:
    """What a change of events makes: the timeline of all that it touched, and the resources for each delivery."""

    timeline: Timeline
    deliveries: dict[str, list[RecordResource]]


def make_changes(case: OpenCase, changes: Sequence[Change]) -> MadeChanges:
    """Return the checked resources of changed events and of all that they touch.

    That is their spans, other events whose spans change, and the strips that document them.
    Raises Invalid where a resource would break FHIR R4.
    """
    changed = {change.event.id: change.event for change in changes}
    tx, stages, frame = case.tx, case.stages, case.frame
    strips = [placed.event for placed in documenting_events(tx, case.case_id, changed)]
    strips = [strip for strip in strips if strip.id not in changed]
    adjoining = find_adjoining(case, changes, strips)
    others = {**adjoining.others, **{strip.id: strip for strip in strips}}
    events = [*changed.values(), *(other for other in others.values() if other.id not in changed)]
    spans = {(span.name, span.start): span for span in adjoining.changed_spans}
    made = make_events(
        stages, frame, adjoining.timeline, adjoining.spans, events, _documented(tx, frame.case_id, events)
    )
    for span in spans.values():
        made += make_span(stages, frame, span, adjoining.timeline)
    made += [_retracted(stored) for stored in resources_of_records(tx, sorted(adjoining.gone))]
    check_made(made)
    return MadeChanges(adjoining.timeline, _deliveries(frame.case_id, list(changed), adjoining, made))


def _deliveries(
    case_id: str, changed: Sequence[str], adjoining: Adjoining, made: Sequence[RecordResource]
) -> dict[str, list[RecordResource]]:
    """Return the resources for each delivery: a span goes with the first changed event that has a part in it."""
    if len(changed) == 1 and len(made) <= _MOST_IN_ONE:
        return {event_key(case_id, changed[0]): list(made)}
    place = {event_id: number for number, event_id in enumerate(changed)}
    records = by_record(made)
    with_event: dict[str, list[str]] = {event_id: [] for event_id in changed}
    for span in adjoining.changed_spans:
        own = [event.id for event in span.events if event.id in place]
        if own:
            key = span_key(case_id, span.name, span.start)
            with_event[min(own, key=place.__getitem__)].append(key)
    deliveries: dict[str, list[RecordResource]] = {}
    for event_id in changed:
        key = event_key(case_id, event_id)
        deliveries[key] = [
            resource for record in (key, *with_event[event_id]) for resource in records.pop(record, ())
        ]
    # Spans first, since events refer to them.
    return deliveries | dict(sorted(records.items(), key=lambda item: not is_span_key(item[0])))


def _documented(tx: Transaction, case_id: str, events: Sequence[RecordedEvent]) -> dict[str, list[str]]:
    """Return the references to what was made of the events that a strip documents, by the id of the event."""
    documents = {event.content["documents"] for event in events if "documents" in event.content}
    keys = {event_key(case_id, document): document for document in documents}
    found: dict[str, list[str]] = {}
    for stored in resources_of_records(tx, sorted(keys)):
        if stored.resource_type != "Provenance":
            found.setdefault(keys[stored.record], []).append(f"{stored.resource_type}/{stored.resource_id}")
    return found


def _retracted(stored: StoredResource) -> RecordResource:
    body = retract_resource(read_json(stored.body))
    made = MadeResource(stored.resource_type, stored.resource_id, "span", stored.rule, body)
    return RecordResource(made, stored.record)
