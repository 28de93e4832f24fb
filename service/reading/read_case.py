"""Answers what is asked of a case: its timeline, its gaps, its FHIR resources."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import asdict
from typing import Any

from service.completeness.count_gaps import count_by_element
from service.completeness.find_gaps import assess
from service.exact_json import read_json
from service.making.stages import Stages
from service.plausibility.find_implausible import find_implausible
from service.reading.find_case import existing_case, timeline_of
from service.reading.paging import page_body
from service.records.assessment import GAP_STATES, Assessment
from service.records.references import references_in_json, type_and_id
from service.storage.cases import StoredCase, count_deliveries, count_events, page_of_cases
from service.storage.read_backs import read_back_of_case
from service.storage.resources import StoredResource, find_resource, resources_of_case
from service.storage.statements import Transaction
from service.timeline.build_timeline import build_timeline


def case_body(tx: Transaction, case: StoredCase) -> dict[str, Any]:
    """Return a case as the API shows it."""
    return {
        "id": case.case_id,
        "version": case.version,
        **case.content,
        "events": count_events(tx, case.case_id),
        "delivery": count_deliveries(tx, case.case_id),
        "read_back": read_back_of_case(tx, case.case_id),
    }


def read_case(tx: Transaction, case_id: str) -> dict[str, Any]:
    """Return a case as the API shows it; Rejected where there is none."""
    return case_body(tx, existing_case(tx, case_id))


def read_cases(tx: Transaction, after: str, most: int) -> dict[str, Any]:
    """Return a page of cases and, where there are more, the id after which the next page begins."""
    page = page_of_cases(tx, after, most + 1)
    return page_body("cases", page, most, lambda case: [case_body(tx, case)], lambda case: case.case_id)


def read_timeline(tx: Transaction, stages: Stages, case_id: str) -> dict[str, Any]:
    """Return the events of a case on the reference clock, each with what is odd about its time or its content.

    The plausibility rules are applied to the case as it stands now, so that late entries count.
    """
    case = existing_case(tx, case_id)
    timeline = timeline_of(tx, stages, case)
    implausible = find_implausible(stages.plausibility, case.content, timeline)
    return {
        "entries": [
            {
                **asdict(entry),
                "findings": [*entry.findings, *(warning.rule for warning in implausible.get(entry.event_id, ()))],
            }
            for entry in build_timeline(timeline)
        ]
    }


def _assessments(tx: Transaction, stages: Stages, case: StoredCase) -> list[Assessment]:
    return assess(stages.rules, case.content, timeline_of(tx, stages, case))


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

    def gaps_of(case: StoredCase) -> list[dict[str, Any]]:
        return [{"case_id": case.case_id, **gap} for gap in _gap_bodies(_assessments(tx, stages, case))]

    return page_body("gaps", page_of_cases(tx, after, most + 1), most, gaps_of, lambda case: case.case_id)


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
        for reference in references_in_json(to_read.pop().body):
            if reference not in found:
                resource = find_resource(tx, *type_and_id(reference))
                if resource is not None:
                    found[reference] = resource
                    to_read.append(resource)
    return list(found.values())


def read_fhir(tx: Transaction, case_id: str) -> dict[str, Any]:
    """Return the resources of a case as they are now, as a Bundle of the type collection."""
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
