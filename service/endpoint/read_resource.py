"""A body that arrived, read into a resource that may be stored, or refused with every reason."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from service.endpoint.outcomes import RefusalError, issues_of, refuse
from service.endpoint.references import LOGICAL_ID
from service.exact_json import BrokenJsonError, read_json, write_json
from service.records.finding import Finding

Check = Callable[[Mapping[str, Any]], list[Finding]]
"""Returns what is wrong with a resource by FHIR R4; an empty list where nothing was found."""


def refuse_unknown_type(resource_type: str, served: frozenset[str]) -> None:
    """Raise RefusalError (404) where `resource_type` is not served."""
    if resource_type not in served:
        raise refuse(404, "not-supported", "The endpoint serves no resource type of this name; see metadata.")


def read_body(body: bytes) -> dict[str, Any]:
    """Return the JSON object that `body` spells, digits kept; RefusalError (400) where it is none."""
    try:
        resource = read_json(body)
    except BrokenJsonError as error:
        raise refuse(400, "structure", f"The body is not JSON that can be read: {error}.") from error
    if not isinstance(resource, dict):
        raise refuse(400, "structure", "The body must be one JSON object, a resource.")
    try:
        # What could be read may still not be writable without loss, and must then not be taken.
        write_json(resource)
    except TypeError as error:
        raise refuse(
            400, "too-costly", "The body is nested too deeply, or holds an integer beyond 64 bits."
        ) from error
    return resource


def refuse_wrong_type(resource: Mapping[str, Any], resource_type: str) -> None:
    """Raise RefusalError (400) unless `resource` is of the type that its address says."""
    if resource.get("resourceType") != resource_type:
        raise refuse(
            400,
            "invalid",
            f"The address says {resource_type}, the body is something else.",
            expression=f"{resource_type}.resourceType",
        )
    if not isinstance(resource.get("meta", {}), Mapping):
        raise refuse(400, "structure", "meta must be an object.", expression=f"{resource_type}.meta")


def refuse_wrong_id(resource: Mapping[str, Any], resource_id: str) -> None:
    """Raise RefusalError (400) unless `resource` carries the id that its address says, and that may be one."""
    if not LOGICAL_ID.fullmatch(resource_id):
        raise refuse(400, "value", "An id has 1 to 64 characters out of A-Z, a-z, 0-9, - and the full stop.")
    if resource.get("id") != resource_id:
        raise refuse(
            400,
            "invalid",
            "The id in the address and the id in the body differ.",
            expression=f"{resource['resourceType']}.id",
        )


def refuse_findings(resource: Mapping[str, Any], check: Check) -> None:
    """Raise RefusalError (422) with one issue for each finding where `check` found an error."""
    findings = check(resource)
    if any(finding.severity == "error" for finding in findings):
        raise RefusalError(422, issues_of(findings))
