"""Explains the resources of a case: makes them again from its records, and says which lines made each element."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import replace
from typing import Any

from service.exact_json import write_json
from service.making.frame_case import frame_case
from service.making.make_device import make_device
from service.making.make_events import make_timeline
from service.making.stages import Stages
from service.mapping.element_origins import ElementOrigin
from service.mapping.explain_mapping import ExplainedResource, explain_retraction, explaining
from service.reading.find_case import existing_case, timeline_of
from service.reading.read_case import bundle_of, resources_of_bundle
from service.records.receipts import Receipt
from service.storage.cases import StoredCase
from service.storage.devices import find_device
from service.storage.resources import StoredResource
from service.storage.statements import Transaction
from service.vocabulary.mapping_data import MappingData


def element_body(data: MappingData, element: ElementOrigin) -> dict[str, Any]:
    """Return the origin of one element as the API shows it; `when` only where the element hangs on a condition."""
    body: dict[str, Any] = {
        "path": element.path,
        "fields": list(element.origin.fields),
        "from": list(element.origin.sources),
        "line": data.line_of(element.place),
    }
    if element.when:
        body["when"] = list(element.when)
    return body


def explain_fhir(tx: Transaction, stages: Stages, case_id: str) -> dict[str, Any]:
    """Return the Bundle of a case with, for each resource in it, the origin of every element.

    What is explained is the mapping in force now. `state` says whether it would make the resource as it stands:
    `as_stored`; `differs`, where the mapping has changed since; `not_made`, where no record makes it any more.
    Raises Rejected where there is no such case.
    """
    case = existing_case(tx, case_id)
    stored = resources_of_bundle(tx, case_id)
    explained = _explain_records(tx, stages, case, stored)
    data = stages.vocabulary.data
    return {
        "bundle": bundle_of(stored),
        "explanation": [_resource_body(data, one, explained.get(_reference(one))) for one in stored],
    }


def _reference(resource: StoredResource) -> str:
    return f"{resource.resource_type}/{resource.resource_id}"


def _resource_body(data: MappingData, stored: StoredResource, found: ExplainedResource | None) -> dict[str, Any]:
    body: dict[str, Any] = {"resource": _reference(stored), "record": stored.record, "rule": stored.rule}
    if found is None:
        return {**body, "state": "not_made", "elements": []}
    same = hashlib.sha256(write_json(found.made.body)).hexdigest() == stored.sha256
    body["state"] = "as_stored" if same else "differs"
    if found.when:
        body["when"] = list(found.when)
    return {**body, "elements": [element_body(data, element) for element in found.elements]}


def _explain_records(
    tx: Transaction, stages: Stages, case: StoredCase, stored: Iterable[StoredResource]
) -> dict[str, ExplainedResource]:
    """Return the explanations of all that the records of the case make now, by reference."""
    mappings, explained = explaining(stages.mappings)
    # A frame that was made by the plain mappings explains nothing, so this one is made for the explanation.
    own = replace(stages, mappings=mappings, remembered={})
    frame = frame_case(own, case.case_id, case.content, case.opened_at)
    made = make_timeline(own, frame, timeline_of(tx, own, case))
    for device_id in sorted({resource.device_id for resource in stored if resource.device_id is not None}):
        device = find_device(tx, device_id)
        if device is not None:
            # No template of a device shows when it was registered, so any moment serves.
            make_device(own, device_id, device.content, Receipt("explanation", case.opened_at))
    for resource in made:
        reference = resource.made.reference
        explained[reference] = explain_retraction(explained[reference], resource.made.body)
    return explained
