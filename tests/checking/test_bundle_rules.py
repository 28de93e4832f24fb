"""The rules of a Bundle: entries, full URLs, and references that lead from one entry to another."""

from __future__ import annotations

from typing import Any

import pytest

from service.checking.check_resource import check_resource
from tests.checking.good_resources import Resource, good_resource

FIRST = "urn:uuid:2f6f3c1e-8a5d-5a0e-9a51-000000000001"
SECOND = "urn:uuid:2f6f3c1e-8a5d-5a0e-9a51-000000000002"
PATIENT = {"resourceType": "Patient", "id": "1"}
PUT = {"method": "PUT", "url": "Patient/1"}


def observation(literal: str) -> Resource:
    return {
        "resourceType": "Observation",
        "status": "final",
        "code": {"text": "c"},
        "subject": {"reference": literal},
    }


def found(kind: str, *entries: Resource, **members: Any) -> list[tuple[str, str]]:
    resource = {"resourceType": "Bundle", "type": kind, "entry": list(entries), **members}
    return [(finding.rule, finding.path.partition(".")[2]) for finding in check_resource(resource)]


def test_a_reference_by_urn_leads_to_an_entry_of_an_allowed_type() -> None:
    def rules(target: Resource, literal: str = FIRST) -> list[tuple[str, str]]:
        entries = ({"fullUrl": FIRST, "resource": target}, {"fullUrl": SECOND, "resource": observation(literal)})
        return found("transaction", *({**entry, "request": PUT} for entry in entries))

    assert rules(PATIENT) == []
    assert rules({"resourceType": "Practitioner"}) == [("reference-target", "entry[1].resource.subject")]
    assert rules(PATIENT, FIRST[:-1] + "9") == [("unresolved", "entry[1].resource.subject")]


def test_a_reference_by_urn_outside_a_bundle_is_left_to_whoever_resolves_it() -> None:
    assert check_resource(observation(FIRST)) == []


def test_what_a_server_answers_need_not_hold_what_it_refers_to() -> None:
    assert found("searchset", {"fullUrl": SECOND, "resource": observation(FIRST)}) == []


def test_a_bundle_within_a_bundle_resolves_its_own_references() -> None:
    inner = {
        "resourceType": "Bundle",
        "type": "collection",
        "entry": [{"fullUrl": SECOND, "resource": observation(FIRST)}],
    }

    assert found("collection", {"fullUrl": FIRST, "resource": inner}) == [
        ("unresolved", "entry[0].resource.entry[0].resource.subject")
    ]


def test_a_conditional_reference_stands_in_a_transaction_only() -> None:
    entry = {"fullUrl": FIRST, "resource": observation("Patient?identifier=a|b"), "request": PUT}

    assert found("transaction", entry) == []
    assert found("batch", entry) == [("reference-syntax", "entry[0].resource.subject.reference")]
    assert found("transaction", {**entry, "resource": observation("Practitioner?identifier=a|b")}) == [
        ("reference-target", "entry[0].resource.subject")
    ]
    assert found("transaction", {**entry, "resource": observation("Patient?")}) != []


@pytest.mark.parametrize(
    ("full_url", "is_right"),
    [
        ("http://x.example/fhir/Patient/1", True),
        ("http://x.example/fhir/Patient/2", False),
        ("http://x.example/fhir/Task/1", False),
        ("http://x.example/other", True),
        (FIRST, True),
        ("Patient/1", False),
        (None, False),
    ],
)
def test_the_full_url_of_an_entry_is_absolute_and_agrees_with_its_resource(
    full_url: str | None,
    is_right: bool,  # noqa: FBT001 - pytest hands it over by name.
) -> None:
    entry: Resource = {"resource": PATIENT} if full_url is None else {"resource": PATIENT, "fullUrl": full_url}

    rules = [rule for rule, _ in found("collection", entry)]

    assert rules == ([] if is_right else ["full-url"])


def test_a_transaction_may_leave_the_full_url_out() -> None:
    assert found("transaction", {"resource": PATIENT, "request": PUT}) == []


def test_one_full_url_may_come_again_in_a_history_only() -> None:
    entry = {
        "fullUrl": "http://x.example/Patient/1",
        "resource": PATIENT,
        "request": PUT,
        "response": {"status": "200"},
    }

    assert found("history", entry, entry) == []


def test_the_rules_of_a_bundle_are_asked_even_where_an_entry_is_broken() -> None:
    rules = found("transaction", {"fullUrl": FIRST, "resource": {"resourceType": "Patient", "gender": 1}})

    assert {rule for rule, _ in rules} == {"type", "bdl-3"}


def test_a_document_holds_what_its_composition_refers_to() -> None:
    composition = {
        **good_resource("Composition"),
        "subject": {"reference": "Patient/1"},
        "author": [{"reference": SECOND}, {"display": "someone"}],
        "attester": [{"mode": "legal", "party": {"reference": "Practitioner/9"}}],
        "section": [
            {"title": "t", "entry": [{"reference": "Observation/8"}]},
            {"section": [{"title": "u", "entry": [{"reference": "http://x.example/fhir/Task/7"}]}]},
        ],
    }
    entries = [
        {"fullUrl": "http://x.example/fhir/Composition/c", "resource": composition},
        {"fullUrl": "http://x.example/fhir/Patient/1", "resource": PATIENT},
        {"fullUrl": SECOND, "resource": {"resourceType": "Device"}},
    ]
    whole = {"identifier": {"system": "urn:example:x", "value": "1"}, "timestamp": "2031-03-02T10:00:00Z"}

    assert found("document", *entries, **whole) == [
        ("unresolved", "entry[0].resource.attester[0].party"),
        ("unresolved", "entry[0].resource.section[0].entry[0]"),
        ("unresolved", "entry[0].resource.section[1].section[0].entry[0]"),
    ]
    practitioner = {"resourceType": "Practitioner", "id": "9"}
    rest = [
        {"fullUrl": FIRST, "resource": practitioner},
        {"fullUrl": "http://x.example/fhir/Observation/8", "resource": observation("Patient/1")},
        {"fullUrl": "http://x.example/fhir/Task/7", "resource": {**good_resource("Task"), "id": "7"}},
    ]
    assert found("document", *entries, *rest, **whole) == []
