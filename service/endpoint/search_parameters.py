"""Which search parameters each resource type offers, and where in the resource their values stand."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Literal

from service.endpoint.resource_types import WITHOUT_IDENTIFIER_SEARCH

Kind = Literal["token", "reference", "date"]


@dataclass(frozen=True, slots=True)
class SearchParameter:
    """One search parameter of one resource type.

    `paths` are the places of its values below the resource, lists walked through; `targets` are the types that
    a reference parameter keeps to, all types where it is empty.
    """

    name: str
    kind: Kind
    paths: tuple[str, ...]
    targets: tuple[str, ...] = ()


def _tokens(*names: str, **elsewhere: str) -> tuple[SearchParameter, ...]:
    return _parameters("token", *names, **elsewhere)


def _references(*names: str, **elsewhere: str) -> tuple[SearchParameter, ...]:
    return _parameters("reference", *names, **elsewhere)


def _parameters(kind: Kind, *names: str, **elsewhere: str) -> tuple[SearchParameter, ...]:
    """Return parameters named like their element, then those of another name (`part_of` for `part-of`)."""
    same_name = tuple(SearchParameter(name, kind, (name,)) for name in names)
    return same_name + tuple(
        SearchParameter(name.replace("_", "-"), kind, tuple(paths.split())) for name, paths in elsewhere.items()
    )


def _date(name: str, *paths: str) -> SearchParameter:
    return SearchParameter(name, "date", paths)


def _patient(*paths: str) -> SearchParameter:
    return SearchParameter("patient", "reference", paths, ("Patient",))


_SUBJECT = (SearchParameter("subject", "reference", ("subject",)), _patient("subject"))
_EFFECTIVE = ("effectiveDateTime", "effectivePeriod", "effectiveTiming", "effectiveInstant")

# Source: the CapabilityStatement `base` of FHIR R4 (4.0.1) for names and kinds, the SearchParameters' expressions
# for paths. Only what a reader of resuscitation records needs is offered; the rest is refused by name or reported
# as ignored, never half done.
_BY_TYPE: dict[str, tuple[SearchParameter, ...]] = {
    "AuditEvent": (
        *_tokens("type", "subtype", "action", "outcome"),
        *_references(agent="agent.who", entity="entity.what"),
        _patient("agent.who", "entity.what"),
        _date("date", "recorded"),
    ),
    "Bundle": (*_tokens("type"), _date("timestamp", "timestamp")),
    "CareTeam": (
        *_tokens("status", "category"),
        *_SUBJECT,
        *_references("encounter", participant="participant.member"),
        _date("date", "period"),
    ),
    "Communication": (
        *_tokens("status", "category"),
        *_SUBJECT,
        *_references("encounter", "sender", "recipient", part_of="partOf", based_on="basedOn"),
        _date("sent", "sent"),
        _date("received", "received"),
    ),
    "Composition": (
        *_tokens("type", "status", "category"),
        *_SUBJECT,
        *_references("encounter", "author", entry="section.entry"),
        _date("date", "date"),
    ),
    "Condition": (
        *_tokens(
            "code",
            "category",
            "severity",
            clinical_status="clinicalStatus",
            verification_status="verificationStatus",
        ),
        *_SUBJECT,
        *_references("encounter", "asserter"),
        _date("onset-date", "onsetDateTime", "onsetPeriod"),
        _date("abatement-date", "abatementDateTime", "abatementPeriod"),
        _date("recorded-date", "recordedDate"),
    ),
    "Device": (
        *_tokens("type", "status"),
        _patient("patient"),
        *_references("location", organization="owner"),
    ),
    "DeviceMetric": (*_tokens("type", "category"), *_references("source", "parent")),
    "DiagnosticReport": (
        *_tokens("code", "category", "status"),
        *_SUBJECT,
        *_references("encounter", "performer", "result", based_on="basedOn", media="media.link"),
        _date("date", *_EFFECTIVE),
        _date("issued", "issued"),
    ),
    "DocumentReference": (
        *_tokens("type", "category", "status"),
        *_SUBJECT,
        *_references("author", encounter="context.encounter", related="context.related"),
        _date("date", "date"),
    ),
    "Encounter": (
        *_tokens("class", "type", "status"),
        *_SUBJECT,
        *_references(part_of="partOf", location="location.location", participant="participant.individual"),
        _date("date", "period"),
    ),
    "Flag": (*_SUBJECT, *_references("encounter", "author"), _date("date", "period")),
    "Group": (*_tokens("code", "type", "actual"), *_references(member="member.entity")),
    "Location": (
        *_tokens("type", "status"),
        *_references(partof="partOf", organization="managingOrganization"),
    ),
    "Media": (
        *_tokens("type", "status", "modality"),
        *_SUBJECT,
        *_references("encounter", "device", "operator", based_on="basedOn"),
        _date("created", "createdDateTime", "createdPeriod"),
    ),
    "Medication": (*_tokens("code", "status", "form"), *_references("manufacturer")),
    "MedicationAdministration": (
        *_tokens("status", code="medicationCodeableConcept"),
        *_SUBJECT,
        *_references("context", "device", "request", medication="medicationReference", performer="performer.actor"),
        _date("effective-time", "effectiveDateTime", "effectivePeriod"),
    ),
    "Observation": (
        *_tokens(
            "code",
            "category",
            "status",
            "method",
            component_code="component.code",
            combo_code="code component.code",
            value_concept="valueCodeableConcept",
            data_absent_reason="dataAbsentReason",
        ),
        *_SUBJECT,
        *_references(
            "encounter",
            "device",
            "focus",
            "performer",
            part_of="partOf",
            has_member="hasMember",
            derived_from="derivedFrom",
            based_on="basedOn",
        ),
        _date("date", *_EFFECTIVE),
    ),
    "Organization": (*_tokens("type", "active"), *_references(partof="partOf")),
    "Patient": (
        *_tokens("gender", "active"),
        *_references(link="link.other", organization="managingOrganization"),
        _date("birthdate", "birthDate"),
        _date("death-date", "deceasedDateTime"),
    ),
    "Practitioner": _tokens("active", "gender"),
    "PractitionerRole": (
        *_tokens("specialty", "active", role="code"),
        *_references("practitioner", "organization", "location"),
        _date("date", "period"),
    ),
    "Procedure": (
        *_tokens("code", "category", "status"),
        *_SUBJECT,
        *_references("encounter", "location", part_of="partOf", based_on="basedOn", performer="performer.actor"),
        _date("date", "performedDateTime", "performedPeriod"),
    ),
    "Provenance": (
        *_references("target", "location", agent="agent.who", entity="entity.what"),
        _patient("target"),
        _date("recorded", "recorded"),
        _date("when", "occurredDateTime"),
    ),
    "Specimen": (*_tokens("type", "status"), *_SUBJECT),
    "Task": (
        *_tokens(
            "code",
            "status",
            "intent",
            "priority",
            business_status="businessStatus",
            group_identifier="groupIdentifier",
        ),
        *_references(
            "focus", "owner", "requester", "encounter", part_of="partOf", based_on="basedOn", subject="for"
        ),
        _patient("for"),
        _date("authored-on", "authoredOn"),
        _date("modified", "lastModified"),
        _date("period", "executionPeriod"),
    ),
}


@cache
def parameters_of(resource_type: str) -> dict[str, SearchParameter]:
    """Return the parameters of `resource_type` by name, without `_id` and `_lastUpdated`, which every type has."""
    parameters = list(_BY_TYPE.get(resource_type, ()))
    if resource_type not in WITHOUT_IDENTIFIER_SEARCH:
        parameters.insert(0, SearchParameter("identifier", "token", ("identifier",)))
    return {parameter.name: parameter for parameter in parameters}
