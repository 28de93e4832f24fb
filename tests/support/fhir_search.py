"""Reads all that a FHIR server holds, by search, as any other client of it would."""

from __future__ import annotations

from typing import Any

import httpx

from service.exact_json import read_json

PRODUCED_TYPES = (
    "Condition",
    "Device",
    "Encounter",
    "Location",
    "MedicationAdministration",
    "Observation",
    "Patient",
    "Procedure",
    "Provenance",
    "Task",
)
UUID_SYSTEM = "urn:ietf:rfc:3986"
_PAGE = 200


def search(client: httpx.Client, base: str, query: str) -> list[dict[str, Any]]:
    """Return the resources that a search finds, through all of its pages."""
    found: list[dict[str, Any]] = []
    address: str | None = f"{base}/{query}"
    while address is not None:
        response = client.get(address)
        assert response.status_code == 200, response.text
        bundle = read_json(response.content)
        found += [entry["resource"] for entry in bundle.get("entry", ())]
        address = next((link["url"] for link in bundle.get("link", ()) if link["relation"] == "next"), None)
    return found


def everything_at(client: httpx.Client, base: str) -> list[dict[str, Any]]:
    """Return all resources of the types that the service makes."""
    return [resource for name in PRODUCED_TYPES for resource in search(client, base, f"{name}?_count={_PAGE}")]


def found_by_identifier(client: httpx.Client, base: str, resource_type: str, our_id: str) -> list[dict[str, Any]]:
    """Return the resources that carry the identifier made of an id of ours."""
    return search(client, base, f"{resource_type}?identifier={UUID_SYSTEM}%7Curn:uuid:{our_id}")


def our_id_of(resource: dict[str, Any]) -> str | None:
    """Return the id that the service gave a resource, by its identifier; None where it carries none."""
    identifiers = resource.get("identifier", ())
    if isinstance(identifiers, dict):
        identifiers = [identifiers]
    for identifier in identifiers:
        if identifier.get("system") == UUID_SYSTEM:
            return str(identifier["value"]).removeprefix("urn:uuid:")
    return None
