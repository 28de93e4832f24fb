"""Marks a resource as entered in error, in the way that FHIR R4 gives its type."""

from __future__ import annotations

from typing import Any

_STATUS_TYPES = frozenset({"Observation", "Procedure", "MedicationAdministration", "Task", "Encounter", "Device"})
_VERIFICATION_SYSTEM = "http://terminology.hl7.org/CodeSystem/condition-ver-status"


def retract_resource(body: dict[str, Any]) -> dict[str, Any]:
    """Return a copy that says it was entered in error; a resource whose type cannot say it comes back as it is.

    Source: FHIR R4, the `status` value sets of each type; Condition, invariant con-5 (no clinicalStatus then).
    """
    resource_type = body["resourceType"]
    if resource_type in _STATUS_TYPES:
        return {**body, "status": "entered-in-error"}
    if resource_type == "Condition":
        kept = {name: value for name, value in body.items() if name != "clinicalStatus"}
        coding = {"system": _VERIFICATION_SYSTEM, "code": "entered-in-error", "display": "Entered in Error"}
        return {**kept, "verificationStatus": {"coding": [coding]}}
    return body
