"""Requests to a FHIR server as the delivery makes them, and beside them those that show what the server does."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any
from uuid import uuid4

import httpx

from service.exact_json import write_json

IDENTIFIERS = "urn:example:hospital:keys"
HEADERS = {"Content-Type": "application/fhir+json", "Accept": "application/fhir+json"}

Resource = dict[str, Any]


@contextmanager
def fhir_client(base_url: str) -> Iterator[httpx.Client]:
    """Yield a client for the FHIR server at a base URL of this machine."""
    with httpx.Client(base_url=base_url, headers=HEADERS, trust_env=False, timeout=120) as opened:
        yield opened


def new_id() -> str:
    """Return an id as the delivery chooses them: a UUID."""
    return str(uuid4())


def patient(key: str, **more: Any) -> Resource:
    """Return a patient that carries the identifier `key`."""
    return {"resourceType": "Patient", "identifier": [{"system": IDENTIFIERS, "value": key}], **more}


def observation(subject: str, **more: Any) -> Resource:
    """Return an observation of the patient to whom the reference `subject` points."""
    return {
        "resourceType": "Observation",
        "status": "final",
        "code": {"text": "energy"},
        "subject": {"reference": subject},
        **more,
    }


def put_entry(resource: Resource, **more: Any) -> Resource:
    """Return the entry that puts a resource under its own id."""
    return {
        "fullUrl": f"urn:uuid:{resource['id']}",
        "resource": resource,
        "request": {"method": "PUT", "url": f"{resource['resourceType']}/{resource['id']}", **more},
    }


def conditional_create(key: str) -> Resource:
    """Return the entry that creates a patient unless one carries its identifier."""
    return {
        "fullUrl": f"urn:uuid:{new_id()}",
        "resource": patient(key),
        "request": {"method": "POST", "url": "Patient", "ifNoneExist": f"identifier={IDENTIFIERS}|{key}"},
    }


def conditional_update(key: str, **more: Any) -> Resource:
    """Return the entry that updates the patient who carries an identifier, or creates one."""
    return {
        "fullUrl": f"urn:uuid:{new_id()}",
        "resource": patient(key, **more),
        "request": {"method": "PUT", "url": f"Patient?identifier={IDENTIFIERS}|{key}"},
    }


def transact(client: httpx.Client, *entries: Resource) -> httpx.Response:
    """Return the answer to a transaction of these entries."""
    bundle = {"resourceType": "Bundle", "type": "transaction", "entry": list(entries)}
    return client.post("", content=write_json(bundle))


def put(client: httpx.Client, resource: Resource, **headers: str) -> httpx.Response:
    """Return the answer to putting a resource under its own id."""
    names = {name.replace("_", "-"): value for name, value in headers.items()}
    return client.put(f"/{resource['resourceType']}/{resource['id']}", content=write_json(resource), headers=names)


def statuses(response: httpx.Response) -> list[int]:
    """Return the status of each entry of a transaction that was taken."""
    assert response.status_code == 200, response.text
    body = response.json()
    assert body["type"] == "transaction-response"
    return [int(entry["response"]["status"].split()[0]) for entry in body["entry"]]


def count(client: httpx.Client, key: str) -> int:
    """Return how many patients carry an identifier."""
    found = client.get("/Patient", params={"identifier": f"{IDENTIFIERS}|{key}"})
    total: int = found.json()["total"]
    return total
