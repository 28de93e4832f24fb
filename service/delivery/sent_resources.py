"""Reads from the bytes of a Bundle what was sent of each resource, its references as the server knows them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from service.delivery.build_bundle import resource_id_of
from service.exact_json import read_json
from service.records.references import replaced_references


def sent_resources(bundle: bytes, remote_ids: Mapping[str, str]) -> dict[str, dict[str, Any]]:
    """Return the resources of a Bundle of ours by our references `Type/<uuid>`.

    `remote_ids` holds the server's id of each, by the same references. References inside the Bundle, which the
    server has resolved, are given as it must have resolved them.
    """
    entries = read_json(bundle)["entry"]
    found: dict[str, dict[str, Any]] = {}
    resolved: dict[str, str] = {}
    for entry in entries:
        resource = entry["resource"]
        reference = f"{resource['resourceType']}/{resource_id_of(entry['fullUrl'])}"
        found[reference] = resource
        if reference in remote_ids:
            resolved[entry["fullUrl"]] = f"{resource['resourceType']}/{remote_ids[reference]}"
    return {reference: replaced_references(resource, resolved) for reference, resource in found.items()}
