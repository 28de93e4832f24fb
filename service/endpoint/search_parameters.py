"""Which search parameters each resource type offers, and at which places of the resource their values are."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from typing import Literal, cast

Kind = Literal["token", "reference", "date"]


@dataclass(frozen=True, slots=True)
class SearchParameter:
    """One search parameter of one resource type.

    `paths` are the places of its values below the resource, lists walked through. Where there is a `target`, only
    references to that type count, and a search may give the id alone.
    """

    name: str
    kind: Kind
    paths: tuple[str, ...]
    target: str | None = None


_OF_SUBJECT = "reference: subject patient=subject>Patient"
_OF_ENCOUNTER = f"{_OF_SUBJECT} encounter>Encounter"

# Source: the SearchParameters of FHIR R4 (4.0.1), names, kinds and expressions. A word with a colon says the kind
# of those that follow, each as name=path,path>Target; without a path the element has the name of the parameter.
_BY_TYPE = {
    "AuditEvent": "token: type subtype reference: patient=agent.who,entity.what>Patient entity=entity.what"
    " date: date=recorded",
    "Bundle": "token: type date: timestamp",
    "Composition": f"token: type category status {_OF_ENCOUNTER} entry=section.entry date: date",
    "Condition": f"token: code category clinical-status verification-status {_OF_ENCOUNTER}"
    " date: onset-date=onsetDateTime,onsetPeriod recorded-date",
    "Device": "token: type status reference: patient>Patient",
    "DeviceMetric": "token: type category reference: source>Device parent>Device",
    "DocumentReference": "token: identifier=masterIdentifier,identifier type category status"
    f" {_OF_SUBJECT} encounter=context.encounter>Encounter related=context.related date: date",
    "Encounter": f"token: class type status {_OF_SUBJECT} part-of>Encounter date: date=period",
    "Location": "token: status",
    "MeasureReport": f"token: status {_OF_SUBJECT} evaluated-resource date: date period",
    "MedicationAdministration": f"token: code=medicationCodeableConcept status {_OF_SUBJECT} context>Encounter"
    " device date: effective-time=effectiveDateTime,effectivePeriod",
    "Observation": "token: code component-code=component.code combo-code=code,component.code category status"
    f" {_OF_ENCOUNTER} part-of derived-from has-member focus device"
    " date: date=effectiveDateTime,effectivePeriod,effectiveInstant",
    "Procedure": f"token: code category status {_OF_ENCOUNTER} part-of"
    " date: date=performedDateTime,performedPeriod",
    "Provenance": "reference: target patient=target>Patient date: recorded",
    "Task": "token: code status reference: subject=for patient=for>Patient encounter>Encounter focus part-of>Task"
    " date: authored-on",
}
_WITHOUT_IDENTIFIER = frozenset(
    {"AuditEvent", "Binary", "CapabilityStatement", "OperationOutcome", "Parameters", "Provenance"}
)
"""Those of the served types that R4 gives no search parameter `identifier`; every other one has it."""

EVERY_TYPE = (SearchParameter("_id", "token", ()), SearchParameter("_lastUpdated", "date", ()))
"""The parameters that every type has, whose values are in the resource's own row."""


@cache
def parameters_of(resource_type: str) -> dict[str, SearchParameter]:
    """Return the parameters of `resource_type` by name, without those of every type."""
    identifier = "" if resource_type in _WITHOUT_IDENTIFIER else "token: identifier "
    return {each.name: each for each in _read_words(identifier + _BY_TYPE.get(resource_type, ""))}


def _read_words(text: str) -> Iterator[SearchParameter]:
    kind = ""
    for word in text.split():
        if word.endswith(":"):
            kind = word[:-1]
            continue
        place, _, target = word.partition(">")
        name, _, paths = place.partition("=")
        yield SearchParameter(
            name, cast(Kind, kind), tuple((paths or _element_named(name)).split(",")), target or None
        )


def _element_named(name: str) -> str:
    """Return `partOf` for `part-of`."""
    first, *rest = name.split("-")
    return first + "".join(word.capitalize() for word in rest)
