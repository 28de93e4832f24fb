"""Fifty bad resources, one fault each, with the rule that must be named; None where nothing here can see it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from tests.checking.good_resources import Resource, good_resource

BadCase = tuple[str, Callable[[], Resource], str | None]


def changed(kind: str, change: Callable[[Any], object]) -> Callable[[], Resource]:
    """Return a maker of the good resource of `kind` with one change made to it."""

    def make() -> Resource:
        resource = good_resource(kind)
        change(resource)
        return resource

    return make


def without(kind: str, name: str) -> Callable[[], Resource]:
    """Return a maker of the good resource of `kind` without one element."""
    return changed(kind, lambda resource: resource.pop(name))


def having(kind: str, /, **members: Any) -> Callable[[], Resource]:
    """Return a maker of the good resource of `kind` with members set."""
    return changed(kind, lambda resource: resource.update(members))


def _component(place: int, **members: Any) -> Callable[[], Resource]:
    return changed("Observation", lambda resource: resource["component"][place].update(members))


def _samples(**members: Any) -> Callable[[], Resource]:
    return changed("Observation", lambda resource: resource["component"][2]["valueSampledData"].update(members))


def _same_code_as_component(resource: Resource) -> None:
    resource.pop("_valueInteger")
    resource["valueInteger"] = 118
    resource["component"][0]["code"] = resource["code"]


def _same_full_url(resource: Resource) -> None:
    first, second = resource["entry"]
    second["fullUrl"] = first["fullUrl"]
    second["resource"].pop("subject")


BAD_RESOURCES: tuple[BadCase, ...] = (
    ("01 required status is missing", without("Observation", "status"), "min"),
    ("02 required code is missing", without("Observation", "code"), "min"),
    ("03 status outside its value set", having("Observation", status="bogus"), "binding"),
    ("04 procedure status outside its value set", having("Procedure", status="done"), "binding"),
    ("05 two types of value", having("Observation", valueString="118", valueBoolean=True), "choice"),
    ("06 a type that value may not have", having("Observation", valueDecimal=118), "choice"),
    ("07 unknown element", having("Observation", rhythm="asystole"), "unknown-element"),
    ("08 a day that does not exist", having("Patient", birthDate="2031-02-30"), "primitive"),
    (
        "09 a time without offset",
        having("Observation", effectiveDateTime="2031-03-02T10:02:05"),
        "primitive",
    ),
    (
        "10 subject is a practitioner",
        having("Observation", subject={"reference": "Practitioner/1"}),
        "reference-target",
    ),
    (
        "11 a patient as the device used",
        having("Procedure", usedReference=[{"reference": "Patient/1"}]),
        "reference-target",
    ),
    (
        "12 both a value and a reason for its absence",
        having("Observation", dataAbsentReason={"text": "unknown"}),
        "obs-6",
    ),
    (
        "13 a value beside a component of the same code",
        changed("Observation", _same_code_as_component),
        "obs-7",
    ),
    (
        "14 an extension with value and extensions",
        changed("Observation", lambda r: r["extension"][1].update(valueBoolean=True)),
        "ext-1",
    ),
    (
        "15 contained and never referred to",
        having("MedicationAdministration", medicationReference={"reference": "Medication/1"}),
        "dom-3",
    ),
    (
        "16 a local reference to nothing",
        having("Observation", subject={"reference": "#nobody"}),
        "ref-1",
    ),
    ("17 samples that are no decimals", _samples(data="0 1 x 2"), "sampled-data"),
    (
        "18 samples without dimensions",
        changed("Observation", lambda r: r["component"][2]["valueSampledData"].pop("dimensions")),
        "min",
    ),
    ("19 no dimensions at all", _samples(dimensions=0), "primitive"),
    (
        "20 a unit that UCUM does not know",
        _component(0, valueQuantity={"value": 1, "system": "http://unitsofmeasure.org", "code": "mmHgs"}),
        None,
    ),
    ("21 a unit code without its system", _component(0, valueQuantity={"value": 1, "code": "mm"}), "qty-3"),
    (
        "22 a period that ends before it starts",
        having("Procedure", performedPeriod={"start": "2031-03-02T10:00:00Z", "end": "2031-03-02T09:59:59Z"}),
        "per-1",
    ),
    ("23 a number as a string", _component(0, valueQuantity={"value": "118"}), "type"),
    ("24 an array for a single element", having("Observation", code=[{"text": "code"}]), "max"),
    ("25 a single element for an array", having("Observation", category={"text": "vital"}), "type"),
    ("26 an empty array", having("Observation", category=[]), "empty"),
    ("27 an empty string", having("Patient", language=""), "empty"),
    ("28 an empty object", having("Observation", bodySite={}), "empty"),
    ("29 null", having("Observation", issued=None), "empty"),
    ("30 an id with forbidden characters", having("Observation", id="a_b c"), "primitive"),
    (
        "31 a uri with white space",
        having("Observation", identifier=[{"system": "urn:example: x", "value": "1"}]),
        "primitive",
    ),
    (
        "32 a script in the narrative",
        changed(
            "Composition",
            lambda r: r["text"].update(div='<div xmlns="http://www.w3.org/1999/xhtml"><script>x</script></div>'),
        ),
        "txt-1",
    ),
    (
        "33 the required medication is missing",
        changed("MedicationAdministration", lambda r: (r.pop("medicationReference"), r.pop("contained"))),
        "min",
    ),
    (
        "34 a dosage without dose and rate",
        having("MedicationAdministration", dosage={"text": "one milligram"}),
        "mad-1",
    ),
    (
        "35 an element of R5",
        having("Observation", triggeredBy=[{"type": "reflex"}]),
        "unknown-element",
    ),
    (
        "36 the type of a device name is outside its value set",
        having("Device", deviceName=[{"name": "n", "type": "nickname"}]),
        "binding",
    ),
    ("37 the type of a device name is missing", having("Device", deviceName=[{"name": "n"}]), "min"),
    ("38 a transaction entry without request", changed("Bundle", lambda r: r["entry"][0].pop("request")), "bdl-3"),
    ("39 one fullUrl twice", changed("Bundle", _same_full_url), "bdl-7"),
    (
        "40 a urn:uuid that no entry has",
        changed(
            "Bundle",
            lambda r: r["entry"][1]["resource"].update(
                subject={"reference": "urn:uuid:00000000-0000-5000-8000-000000000000"}
            ),
        ),
        "unresolved",
    ),
    (
        "41 a verb that HTTP does not have",
        changed("Bundle", lambda r: r["entry"][0]["request"].update(method="SEND")),
        "binding",
    ),
    ("42 no such resource", lambda: {"resourceType": "Resuscitation", "id": "1"}, "type"),
    ("43 broken base64", having("Binary", data="aGFsbG8"), "primitive"),
    ("44 an instant without seconds", having("Observation", issued="2031-03-02T10:02Z"), "primitive"),
    ("45 a boolean as a string", having("Patient", active="true"), "type"),
    ("46 a gender outside its value set", having("Patient", gender="f"), "binding"),
    ("47 a contact without anything", having("Patient", contact=[{"gender": "unknown"}]), "pat-1"),
    (
        "48 a code that LOINC does not have",
        having("Observation", code={"coding": [{"system": "http://loinc.org", "code": "0-0"}]}),
        None,
    ),
    ("49 a malformed reference", having("Observation", subject={"reference": "the patient"}), "reference-syntax"),
    ("50 the class of an encounter is missing", without("Encounter", "class"), "min"),
)
