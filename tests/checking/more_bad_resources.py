"""More bad resources, one fault each, by category; together with the fifty they are all that is judged."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from tests.checking.bad_resources import BAD_RESOURCES, BadCase, changed, having, without
from tests.checking.good_resources import Resource, good_resource

_UCUM = "http://unitsofmeasure.org"
_DIV = '<div xmlns="http://www.w3.org/1999/xhtml">'


def _component(place: int, **members: Any) -> Callable[[], Resource]:
    return changed("Observation", lambda resource: resource["component"][place].update(members))


def _samples(**members: Any) -> Callable[[], Resource]:
    return changed("Observation", lambda resource: resource["component"][2]["valueSampledData"].update(members))


def _narrative(inner: str, status: str = "generated") -> Callable[[], Resource]:
    return having("Observation", text={"status": status, "div": inner})


def _entry(place: int, change: Callable[[Any], object]) -> Callable[[], Resource]:
    return changed("Bundle", lambda resource: change(resource["entry"][place]))


def _quantity(**members: Any) -> Callable[[], Resource]:
    return _component(0, valueQuantity={"value": 1, "system": _UCUM, "code": "mm[Hg]", **members})


def _extension(**members: Any) -> Callable[[], Resource]:
    return having("Patient", extension=[members])


def _timing(**members: Any) -> Callable[[], Resource]:
    return changed("ServiceRequest", lambda resource: resource.update(occurrenceTiming={"repeat": members}))


def _contained(*contained: Resource) -> Callable[[], Resource]:
    return having("MedicationAdministration", contained=list(contained))


_MEDICATION = {"resourceType": "Medication", "id": "m", "code": {"text": "epinephrine"}}

MORE_BAD_RESOURCES: dict[str, tuple[BadCase, ...]] = {
    "required elements": (
        ("51 a procedure without a subject", without("Procedure", "subject"), "min"),
        ("52 a condition without a subject", without("Condition", "subject"), "min"),
        ("53 a task without an intent", without("Task", "intent"), "min"),
        ("54 a provenance without a target", without("Provenance", "target"), "min"),
        (
            "55 an agent without who",
            changed("Provenance", lambda r: r.update(agent=[{"type": {"text": "a"}}])),
            "min",
        ),
        ("56 an administration without a time", without("MedicationAdministration", "effectiveDateTime"), "min"),
        ("57 a document without an author", without("Composition", "author"), "min"),
        ("58 a component without a code", changed("Observation", lambda r: r["component"][0].pop("code")), "min"),
        ("59 an annotation without text", changed("Procedure", lambda r: r["note"][0].pop("text")), "min"),
        ("60 a metric without a category", without("DeviceMetric", "category"), "min"),
        (
            "61 samples without an origin",
            changed("Observation", lambda r: r["component"][2]["valueSampledData"].pop("origin")),
            "min",
        ),
        (
            "62 a required element with an id and nothing else",
            changed("Procedure", lambda r: (r.pop("status"), r.update(_status={"id": "s"}))),
            "ele-1",
        ),
    ),
    "cardinality": (
        ("63 two subjects in an array", having("Procedure", subject=[{"display": "a"}, {"display": "b"}]), "max"),
        ("64 a category that R4 has once", having("Procedure", category=[{"text": "a"}]), "max"),
        ("65 a single performer", having("Observation", performer={"display": "a"}), "type"),
        ("66 a single identifier", having("Patient", identifier={"value": "1"}), "type"),
        ("67 two codes in an array", having("Task", code=[{"text": "a"}, {"text": "b"}]), "max"),
        (
            "68 more extensions than values",
            having("Patient", name=[{"given": ["Ada"], "_given": [None, {"id": "x"}]}]),
            "type",
        ),
    ),
    "types": (
        ("69 a number for a string", having("Device", serialNumber=3), "type"),
        (
            "70 a string for an integer",
            having("Patient", deceasedDateTime="2031", multipleBirthInteger="2"),
            "type",
        ),
        ("71 a fraction for an integer", having("Patient", multipleBirthInteger=2.5), "primitive"),
        ("72 a string for a concept", having("Observation", code="rhythm"), "type"),
        ("73 a reference as a string", having("Observation", subject="Patient/1"), "type"),
        (
            "74 a coding in place of a concept",
            having("Observation", code={"system": "http://loinc.org", "code": "8867-4"}),
            "unknown-element",
        ),
        ("75 an array for an object", _component(0, valueQuantity=[]), "max"),
        ("76 a boolean for a quantity's value", _quantity(value=True), "type"),
        ("77 no resource type at all", changed("Patient", lambda r: r.pop("resourceType")), "type"),
    ),
    "primitive grammar": (
        ("78 an id of 65 characters", having("Patient", id="a" * 65), "primitive"),
        ("79 a code with two spaces inside", having("Patient", language="en  GB"), "primitive"),
        ("80 a code with a space before it", having("Patient", language=" en"), "primitive"),
        (
            "81 a urn:uuid that is none",
            having("Patient", identifier=[{"system": "urn:uuid:1", "value": "1"}]),
            "primitive",
        ),
        (
            "82 a urn:oid that is none",
            having("Patient", identifier=[{"system": "urn:oid:9.x", "value": "1"}]),
            "primitive",
        ),
        (
            "83 a number below zero where R4 counts",
            having("Location", telecom=[{"system": "phone", "value": "0", "rank": 0}]),
            "primitive",
        ),
        ("84 a number beyond 32 bits", having("Patient", multipleBirthInteger=2**31), "primitive"),
        ("85 a control character in a string", having("Device", serialNumber="a\x0bb"), "primitive"),
        ("86 base64 of the wrong length", having("Binary", data="aGFsbG8==="), "primitive"),
    ),
    "dates and times": (
        ("87 month thirteen", having("Patient", birthDate="2031-13-01"), "primitive"),
        ("88 the 29th of February in a common year", having("Patient", birthDate="2031-02-29"), "primitive"),
        (
            "89 a date and no more than hours",
            having("Observation", effectiveDateTime="2031-03-02T10Z"),
            "primitive",
        ),
        ("90 a time with a space", having("Observation", effectiveDateTime="2031-03-02 10:02:05Z"), "primitive"),
        (
            "91 an hour that no day has",
            having("Observation", effectiveDateTime="2031-03-02T25:00:00Z"),
            "primitive",
        ),
        (
            "92 an offset beyond 14 hours",
            having("Observation", effectiveDateTime="2031-03-02T10:00:00+15:00"),
            "primitive",
        ),
        ("93 a year of three digits", having("Patient", birthDate="031-03-02"), "primitive"),
        ("94 a date where an instant is wanted", having("Observation", issued="2031-03-02"), "primitive"),
        ("95 a date in the order of another country", having("Patient", birthDate="02.03.2031"), "primitive"),
        (
            "96 a time of day with an offset",
            changed("Location", lambda r: r["hoursOfOperation"][0].update(openingTime="08:00:00Z")),
            "primitive",
        ),
    ),
    "choice of type": (
        ("97 two times of a procedure", having("Procedure", performedDateTime="2031-03-02"), "choice"),
        ("98 two ends of a life", having("Patient", deceasedBoolean=True), "choice"),
        ("99 a choice without its type", having("Observation", value="118"), "unknown-element"),
        (
            "100 two medications",
            having("MedicationAdministration", medicationCodeableConcept={"text": "epinephrine"}),
            "choice",
        ),
        (
            "101 two rates in one dosage",
            changed(
                "MedicationAdministration",
                lambda r: r["dosage"].update(rateRatio={"numerator": {"value": 1}, "denominator": {"value": 2}}),
            ),
            "choice",
        ),
    ),
    "bindings": (
        ("102 an event of a task that R4 does not have", having("Task", status="done"), "binding"),
        ("103 an encounter that is open", having("Encounter", status="open"), "binding"),
        (
            "104 an identifier's use of R5",
            having("Patient", identifier=[{"use": "primary", "value": "1"}]),
            "binding",
        ),
        ("105 a comparator in words", _quantity(comparator="about"), "binding"),
        (
            "106 a role that no provenance has",
            changed("Provenance", lambda r: r["entity"][0].update(role="origin")),
            "binding",
        ),
        ("107 a bundle of no kind", having("Bundle", type="set"), "binding"),
        ("108 a narrative of no status", _narrative(_DIV + "x</div>", "written"), "binding"),
        (
            "109 the clinical status of no list",
            having(
                "Condition",
                clinicalStatus={
                    "coding": [
                        {"system": "http://terminology.hl7.org/CodeSystem/condition-clinical", "code": "over"}
                    ]
                },
            ),
            "binding",
        ),
        (
            "110 an issue that is not grave enough",
            changed("OperationOutcome", lambda r: r["issue"][0].update(severity="hint")),
            "binding",
        ),
    ),
    "reference targets": (
        (
            "111 an encounter that is a patient",
            having("Observation", encounter={"reference": "Patient/1"}),
            "reference-target",
        ),
        ("112 a part of a device", having("Procedure", partOf=[{"reference": "Device/1"}]), "reference-target"),
        (
            "113 an observation's device that is a patient",
            having("Observation", device={"reference": "Patient/1"}),
            "reference-target",
        ),
        (
            "114 members that are a procedure",
            having("Observation", hasMember=[{"reference": "Procedure/1"}]),
            "reference-target",
        ),
        (
            "115 a metric of a patient",
            having("DeviceMetric", source={"reference": "Patient/1"}),
            "reference-target",
        ),
        (
            "116 a type beside the reference that it contradicts",
            having("Observation", subject={"reference": "Patient/1", "type": "Device"}),
            "reference-target",
        ),
    ),
    "reference syntax": (
        (
            "117 a reference to no type of R4",
            having("Observation", subject={"reference": "Person1/1"}),
            "reference-syntax",
        ),
        (
            "118 a reference with a query",
            having("Observation", subject={"reference": "Patient?identifier=1"}),
            "reference-syntax",
        ),
        (
            "119 a version with a space",
            having("Observation", subject={"reference": "Patient/1/_history/a b"}),
            "reference-syntax",
        ),
        ("120 a lower-case type", having("Observation", subject={"reference": "patient/1"}), "reference-syntax"),
    ),
    "contained": (
        ("121 contained in contained", _contained({**_MEDICATION, "contained": [dict(_MEDICATION)]}), "dom-2"),
        (
            "122 a contained resource with a version",
            _contained({**_MEDICATION, "meta": {"versionId": "1"}}),
            "dom-4",
        ),
        (
            "123 a contained resource with a label",
            _contained({**_MEDICATION, "meta": {"security": [{"code": "R"}]}}),
            "dom-5",
        ),
    ),
    "invariants of types": (
        (
            "124 a period in reverse by its offsets",
            having(
                "Procedure", performedPeriod={"start": "2031-03-02T10:00:00Z", "end": "2031-03-02T10:30:00+01:00"}
            ),
            "per-1",
        ),
        (
            "125 a range in reverse",
            changed(
                "ServiceRequest",
                lambda r: r["quantityRange"].update(low={"value": 3, "system": _UCUM, "code": "h"}),
            ),
            "rng-2",
        ),
        (
            "126 a ratio with a numerator alone",
            changed("Medication", lambda r: r["amount"].pop("denominator")),
            "rat-1",
        ),
        (
            "127 a contact point without its system",
            having("Organization", telecom=[{"value": "1"}], name="x"),
            "cpt-2",
        ),
        (
            "128 an attachment without its type",
            having("DocumentReference", content=[{"attachment": {"data": "aGFs"}}]),
            "att-1",
        ),
        ("129 a timing of a period without its unit", _timing(period=1), "tim-2"),
        ("130 a timing of a duration without its unit", _timing(duration=1), "tim-1"),
        (
            "131 a reference range of nothing",
            having("Observation", referenceRange=[{"type": {"text": "x"}}]),
            "obs-3",
        ),
        ("132 an organisation without a name", changed("Organization", lambda r: r.pop("name")), "org-1"),
        ("133 a list that is empty for a reason and is not", having("List", emptyReason={"text": "x"}), "lst-1"),
        ("134 a section of nothing", having("Composition", section=[{"title": "x"}]), "cmp-1"),
        (
            "135 a condition entered in error and active",
            having(
                "Condition",
                verificationStatus={
                    "coding": [
                        {
                            "system": "http://terminology.hl7.org/CodeSystem/condition-ver-status",
                            "code": "entered-in-error",
                        }
                    ]
                },
                abatementPeriod={"start": "2031"},
            ),
            "con-5",
        ),
    ),
    "SampledData": (
        ("136 a period below zero", _samples(period="4"), "type"),
        ("137 samples with commas", _samples(data="1,2,3"), "sampled-data"),
        ("138 samples with two spaces", _samples(data="1  2"), "sampled-data"),
        ("139 samples with a mark that R4 does not have", _samples(data="1 N 2"), "sampled-data"),
        (
            "140 an origin with a comparator",
            _samples(origin={"value": 0, "comparator": "<", "system": _UCUM, "code": "mV"}),
            "sqty-1",
        ),
        ("141 half a dimension", _samples(dimensions=1.5), "primitive"),
    ),
    "bundle": (
        (
            "142 an entry with a response in a transaction",
            _entry(0, lambda e: e.update(response={"status": "201"})),
            "bdl-4",
        ),
        ("143 a total in a transaction", having("Bundle", total=2), "bdl-1"),
        ("144 a search in a transaction", _entry(0, lambda e: e.update(search={"mode": "match"})), "bdl-2"),
        (
            "145 a fullUrl with a version",
            _entry(1, lambda e: e.update(fullUrl="https://chart.example/Observation/1/_history/2")),
            "bdl-8",
        ),
        ("146 a request without a url", _entry(0, lambda e: e["request"].pop("url")), "min"),
        ("147 an entry of nothing", changed("Bundle", lambda r: r["entry"].append({"id": "x"})), "bdl-3"),
        (
            "148 a document without its composition",
            lambda: {
                "resourceType": "Bundle",
                "type": "document",
                "identifier": {"system": "urn:example:documents", "value": "1"},
                "timestamp": "2031-03-02T11:00:00Z",
                "entry": [
                    {
                        "fullUrl": "urn:uuid:2f6f3c1e-8a5d-5a0e-9a51-0d3c1a2b4c5d",
                        "resource": good_resource("Device"),
                    }
                ],
            },
            "bdl-11",
        ),
    ),
    "narrative": (
        ("149 a narrative without its namespace", _narrative("<div>x</div>"), "txt-1"),
        ("150 a narrative that is not well formed", _narrative(_DIV + "<p>x</div>"), "txt-1"),
        ("151 a narrative of nothing", _narrative(_DIV + " </div>"), "txt-2"),
        ("152 a narrative with a handler", _narrative(_DIV + '<p onclick="x()">x</p></div>'), "txt-1"),
        ("153 a narrative with a form", _narrative(_DIV + "<form>x</form></div>"), "txt-1"),
        ("154 a narrative without a status", having("Observation", text={"div": _DIV + "x</div>"}), "min"),
    ),
    "extensions": (
        ("155 an extension of nothing", _extension(url="urn:example:x"), "ext-1"),
        ("156 an extension without a url", _extension(valueString="x"), "min"),
        (
            "157 an extension with two values",
            _extension(url="urn:example:x", valueString="x", valueCode="x"),
            "choice",
        ),
        (
            "158 an extension with a type that no value has",
            _extension(url="urn:example:x", valueNarrative={}),
            "choice",
        ),
        ("159 an extension of a value without the value's place", having("Patient", _gender={}), "empty"),
    ),
    "elements of other releases": (
        (
            "160 an occurrence of R5 in a procedure",
            having("Procedure", occurrenceDateTime="2031"),
            "unknown-element",
        ),
        (
            "161 a device of R5",
            having("Procedure", used=[{"reference": {"reference": "Device/1"}}]),
            "unknown-element",
        ),
        (
            "162 the medication of R5",
            changed("MedicationAdministration", lambda r: r.update(medication={"concept": {"text": "x"}})),
            "unknown-element",
        ),
        (
            "163 the name of a device of R5",
            having("Device", name=[{"value": "n", "type": "user-friendly-name"}]),
            "unknown-element",
        ),
        ("164 the context of DSTU2", having("Observation", comments="x"), "unknown-element"),
        (
            "165 the definition of a code of R5",
            having("Observation", instantiatesCanonical="http://x.example/o"),
            "unknown-element",
        ),
        (
            "166 the subject of STU3's encounter",
            having("Encounter", patient={"reference": "Patient/1"}),
            "unknown-element",
        ),
    ),
}

CATEGORIES_OF_THE_FIFTY: dict[str, tuple[int, ...]] = {
    "required elements": (1, 2, 18, 33, 37, 50),
    "cardinality": (24, 25),
    "types": (23, 42, 45),
    "primitive grammar": (19, 26, 27, 28, 29, 30, 31, 43),
    "dates and times": (8, 9, 44),
    "choice of type": (5, 6),
    "bindings": (3, 4, 36, 41, 46),
    "reference targets": (10, 11),
    "reference syntax": (16, 49),
    "contained": (15,),
    "invariants of types": (12, 13, 21, 22, 34, 47),
    "SampledData": (17,),
    "bundle": (38, 39, 40),
    "narrative": (32,),
    "extensions": (14,),
    "elements of other releases": (7, 35),
    "terminology": (20, 48),
}


def bad_resources_by_category() -> dict[str, list[BadCase]]:
    """Return all bad resources by category; each of the fifty stands in exactly one."""
    fifty = {int(case[0][:2]): case for case in BAD_RESOURCES}
    return {
        category: [*(fifty[number] for number in numbers), *MORE_BAD_RESOURCES.get(category, ())]
        for category, numbers in CATEGORIES_OF_THE_FIFTY.items()
    }
