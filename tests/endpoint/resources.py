"""Small resources and Bundles of made-up content, of which the endpoint's tests are made."""

from __future__ import annotations

from typing import Any

PATIENTS = "urn:example:hospital:patients"
EVENTS = "urn:example:events"

Json = dict[str, Any]


def patient(patient_id: str | None = None, *, identifier: str = "P-100", **more: Any) -> Json:
    made: Json = {"resourceType": "Patient", "identifier": [{"system": PATIENTS, "value": identifier}], **more}
    return made if patient_id is None else {**made, "id": patient_id}


def observation(observation_id: str | None = None, *, subject: str | None = None, **more: Any) -> Json:
    made: Json = {
        "resourceType": "Observation",
        "status": "final",
        "code": {"coding": [{"system": "http://loinc.org", "code": "8867-4"}]},
        **more,
    }
    if subject is not None:
        made["subject"] = {"reference": subject}
    return made if observation_id is None else {**made, "id": observation_id}


def entry(
    method: str, url: str, resource: Json | None = None, *, full_url: str | None = None, **request: str
) -> Json:
    made: Json = {"request": {"method": method, "url": url, **request}}
    if resource is not None:
        made["resource"] = resource
    if full_url is not None:
        made["fullUrl"] = full_url
    return made


def transaction(*entries: Json) -> Json:
    return {"resourceType": "Bundle", "type": "transaction", "entry": list(entries)}


def batch(*entries: Json) -> Json:
    return {"resourceType": "Bundle", "type": "batch", "entry": list(entries)}


def ids_in(searchset: Json) -> list[str]:
    return [item["resource"]["id"] for item in searchset.get("entry", []) if item["search"]["mode"] == "match"]


def expressions_in(outcome: Json) -> list[str]:
    assert outcome["resourceType"] == "OperationOutcome"
    return [place for issue in outcome["issue"] for place in issue.get("expression", [])]
