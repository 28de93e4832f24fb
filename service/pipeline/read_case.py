"""Answers what is asked of a case: its timeline, its gaps, its FHIR resources."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import asdict
from typing import Any

from service.completeness.count_gaps import count_by_element
from service.completeness.find_gaps import assess
from service.exact_json import read_json
from service.pipeline.remake_case import readings_for
from service.pipeline.stages import Stages
from service.pipeline.take_case import case_body
from service.plausibility.find_implausible import find_implausible
from service.problems import Code, refuse
from service.records.assessment import GAP_STATES, Assessment
from service.records.instants import parse_instant
from service.records.references import references_in
from service.storage.cases import StoredCase, find_case, page_of_cases
from service.storage.events import events_of_case
from service.storage.resources import StoredResource, find_resource, resources_of_case
from service.storage.statements import Transaction
from service.timeline.build_timeline import build_timeline
from service.timeline.correct_times import correct_times


def existing_case(tx: Transaction, case_id: str) -> StoredCase:
    """Return a case; Rejected where there is none."""
    case = find_case(tx, case_id)
    if case is None:
        raise refuse(Code.UNKNOWN_CASE, "", "there is no case of this id", "the id of a case that was opened")
    return case


def read_case(tx: Transaction, case_id: str) -> dict[str, Any]:
    """Return a case as the API shows it; Rejected where there is none."""
    return case_body(tx, existing_case(tx, case_id))


def read_cases(tx: Transaction, after: str, most: int) -> dict[str, Any]:
    """Return a page of cases and, where there are more, the id after which the next page begins."""
    page = page_of_cases(tx, after, most + 1)
    body: dict[str, Any] = {"cases": [case_body(tx, case) for case in page[:most]]}
    if len(page) > most:
        body["next"] = page[most - 1].case_id
    return body


def read_timeline(tx: Transaction, stages: Stages, case_id: str) -> dict[str, Any]:
    """Return the events of a case on the reference clock, each with what is odd about its time or its content.

    The plausibility rules are applied to the case as it stands now, so that late entries count.
    """
    case = existing_case(tx, case_id)
    events = events_of_case(tx, case_id)
    readings = readings_for(tx, events)
    started = case.content.get("started_at")
    entries = build_timeline(events, readings, parse_instant(started) if started else None)
    corrected = correct_times(events, readings)
    implausible = {
        event.id: [
            warning.rule
            for warning in find_implausible(stages.plausibility, case.content, event, events, corrected)
        ]
        for event in events
    }
    return {
        "entries": [
            {**asdict(entry), "findings": [*entry.findings, *implausible[entry.event_id]]} for entry in entries
        ]
    }


def _assessments(tx: Transaction, stages: Stages, case: StoredCase) -> list[Assessment]:
    events = events_of_case(tx, case.case_id)
    return assess(stages.rules, case.content, events, correct_times(events, readings_for(tx, events)))


def _gap_bodies(assessments: Iterable[Assessment]) -> list[dict[str, Any]]:
    return [
        {
            "element": gap.element,
            "event_id": gap.event_id,
            "importance": gap.importance,
            "state": gap.state,
            "rule": gap.rule,
            "ask": gap.ask,
        }
        for gap in assessments
        if gap.state in GAP_STATES
    ]


def read_gaps(tx: Transaction, stages: Stages, case_id: str) -> dict[str, Any]:
    """Return what is missing in a case."""
    return {"gaps": _gap_bodies(_assessments(tx, stages, existing_case(tx, case_id)))}


def read_gaps_of_cases(tx: Transaction, stages: Stages, after: str, most: int) -> dict[str, Any]:
    """Return what is missing in a page of cases, each gap with its case, and where the next page begins."""
    page = page_of_cases(tx, after, most + 1)
    gaps = [
        {"case_id": case.case_id, **gap}
        for case in page[:most]
        for gap in _gap_bodies(_assessments(tx, stages, case))
    ]
    body: dict[str, Any] = {"gaps": gaps}
    if len(page) > most:
        body["next"] = page[most - 1].case_id
    return body


def read_gap_groups(tx: Transaction, stages: Stages) -> dict[str, Any]:
    """Return, over all cases, how often each element is missing among the times that it applies."""

    def all_cases() -> Iterable[Sequence[Assessment]]:
        after = ""
        while page := page_of_cases(tx, after, 200):
            for case in page:
                yield _assessments(tx, stages, case)
            after = page[-1].case_id

    return {"groups": [asdict(count) for count in count_by_element(all_cases())]}


def _with_referenced(tx: Transaction, own: Sequence[StoredResource]) -> list[StoredResource]:
    """Return the resources with all that they refer to, such as devices and a patient shared with another case."""
    found = {f"{resource.resource_type}/{resource.resource_id}": resource for resource in own}
    to_read = list(own)
    while to_read:
        for reference in set(references_in(read_json(to_read.pop().body))):
            if reference not in found:
                resource = find_resource(tx, *reference.split("/", 1))
                if resource is not None:
                    found[reference] = resource
                    to_read.append(resource)
    return list(found.values())


def read_fhir(tx: Transaction, case_id: str) -> dict[str, Any]:
    """Return the resources of a case as they stand, as a Bundle of the type collection."""
    existing_case(tx, case_id)
    return bundle_of(resources_of_bundle(tx, case_id))


def resources_of_bundle(tx: Transaction, case_id: str) -> list[StoredResource]:
    """Return the resources of a case and all that they refer to."""
    return _with_referenced(tx, resources_of_case(tx, case_id))


def bundle_of(resources: Iterable[StoredResource]) -> dict[str, Any]:
    """Return the Bundle, of the type collection, that holds these resources."""
    return {
        "resourceType": "Bundle",
        "type": "collection",
        "entry": [
            {"fullUrl": f"urn:uuid:{resource.resource_id}", "resource": read_json(resource.body)}
            for resource in resources
        ],
    }
