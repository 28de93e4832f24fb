"""Writes what a destination must offer (CapabilityStatement) and what the package holds (ImplementationGuide)."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from service.conformance.canonical import FHIR_VERSION, PACKAGE_NAME, conformance_resource
from service.conformance.plan_profiles import Profile
from service.conformance.snapshot_draft import STRUCTURE
from service.mapping.load_mappings import Mappings

CHANGED_ON = "2026-11-25"
"""When these requirements last changed; R4 wants a date, and the day of a build would say nothing."""

_EXPECTATION = f"{STRUCTURE}capabilitystatement-expectation"
_WAYS = (
    "One way of writing a resource without doubling it is enough, for all types alike: ids of the client's choice "
    "(updateCreate), conditional update, or conditional create by `identifier`. The service takes the first "
    "that the server states, in this order."
)


def _expected(word: str) -> dict[str, Any]:
    return {"extension": [{"url": _EXPECTATION, "valueCode": word}]}


def _resource(resource_type: str, profiles: Iterable[Profile]) -> dict[str, Any]:
    supported = sorted(profile.url for profile in profiles if profile.outline.resource_type == resource_type)
    entry: dict[str, Any] = {"type": resource_type}
    if supported:
        entry["supportedProfile"] = supported
    return entry | {
        "documentation": _WAYS,
        "interaction": [
            {**_expected("SHALL"), "code": "update"},
            {**_expected("MAY"), "code": "create"},
            {**_expected("SHALL"), "code": "read"},
        ],
        "searchParam": [{**_expected("MAY"), "name": "identifier", "type": "token"}],
    }


def destination_requirements(mappings: Mappings, profiles: Iterable[Profile]) -> dict[str, Any]:
    """Return the CapabilityStatement (kind requirements) of what a destination must offer."""
    planned = list(profiles)
    title = "What a destination must offer"
    description = (
        "What the service needs of the FHIR server that it delivers to. `resus-fhir destination check` compares it "
        "with what a server states."
    )
    head = conformance_resource("CapabilityStatement", "destination", title, description)
    return {
        **head,
        "date": CHANGED_ON,
        "kind": "requirements",
        "fhirVersion": FHIR_VERSION,
        "format": ["json"],
        "rest": [
            {
                "mode": "server",
                "documentation": "Everything is delivered in transactions. A setting limits their entries"
                f" (1 to 100, by default 20); one delivery may be larger and is still sent whole. {_WAYS}",
                "resource": [_resource(name, planned) for name in sorted(mappings.resource_types)],
                "interaction": [{**_expected("SHALL"), "code": "transaction"}],
            }
        ],
    }


def implementation_guide(
    conformance: Iterable[dict[str, Any]], examples: Iterable[dict[str, Any]]
) -> dict[str, Any]:
    """Return the ImplementationGuide resource that lists everything else in the package."""
    title = "Resuscitation events and device checks in FHIR R4"
    description = "Profiles, terminology and examples of the resources that resus-fhir makes."
    listed = [
        {
            "reference": {"reference": f"{resource['resourceType']}/{resource['id']}"},
            "name": resource["title"],
            "description": resource["description"],
            "exampleBoolean": False,
        }
        for resource in conformance
    ]
    listed += [_listed_example(example) for example in examples]
    return {
        **conformance_resource("ImplementationGuide", PACKAGE_NAME, title, description),
        "packageId": PACKAGE_NAME,
        "license": "Apache-2.0",
        "fhirVersion": [FHIR_VERSION],
        "definition": {"resource": listed},
    }


def _listed_example(example: dict[str, Any]) -> dict[str, Any]:
    entry: dict[str, Any] = {"reference": {"reference": f"{example['resourceType']}/{example['id']}"}}
    claimed = example.get("meta", {}).get("profile", ())
    return entry | ({"exampleCanonical": claimed[-1]} if claimed else {"exampleBoolean": True})
