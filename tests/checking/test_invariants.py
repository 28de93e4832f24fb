"""Every error invariant of the table is checked or has its reason, and each check has its cases."""

from __future__ import annotations

from typing import Any

import pytest

from service.checking.check_resource import check_resource
from service.checking.invariants import CHECKED_ELSEWHERE, INVARIANT_CHECKS, NOT_CHECKED
from service.checking.table import INVARIANTS
from tests.checking.good_resources import Resource, good_resource

UCUM = "http://unitsofmeasure.org"
DIV = '<div xmlns="http://www.w3.org/1999/xhtml">'
ABSENT = {
    "extension": [{"url": "http://hl7.org/fhir/StructureDefinition/data-absent-reason", "valueCode": "unknown"}]
}
CLINICAL = "http://terminology.hl7.org/CodeSystem/condition-clinical"
VERIFICATION = "http://terminology.hl7.org/CodeSystem/condition-ver-status"


def parameter(**members: Any) -> Resource:
    return {"resourceType": "Parameters", "parameter": [{"name": "p", **members}]}


def quantity(value: float, code: str = "s", system: str = UCUM) -> Resource:
    return {"value": value, "system": system, "code": code}


def condition(**members: Any) -> Resource:
    return {"resourceType": "Condition", "subject": {"display": "someone"}, **members}


def concept(system: str, code: str) -> Resource:
    return {"coding": [{"system": system, "code": code}]}


def observation(**members: Any) -> Resource:
    return {"resourceType": "Observation", "status": "final", "code": {"text": "c"}, **members}


def repeat(**members: Any) -> Resource:
    return parameter(valueTiming={"repeat": members})


def trigger(kind: str, **members: Any) -> Resource:
    return parameter(valueTriggerDefinition={"type": kind, **members})


def capability(**members: Any) -> Resource:
    return {**good_resource("CapabilityStatement"), **members}


def without(resource: Resource, *names: str) -> Resource:
    return {name: value for name, value in resource.items() if name not in names}


def bundle(kind: str, *entries: Resource, **members: Any) -> Resource:
    for place, entry in enumerate(entries):
        if "resource" in entry:
            entry.setdefault("fullUrl", f"urn:uuid:2f6f3c1e-8a5d-5a0e-9a51-{place:012}")
    held = {"entry": list(entries)} if entries else {}
    return {"resourceType": "Bundle", "type": kind, **held, **members}


def document(*resources: Resource, **members: Any) -> Resource:
    whole = {"identifier": {"system": "urn:example:x", "value": "1"}, "timestamp": "2031-03-02T10:00:00Z"}
    return bundle("document", *({"resource": resource} for resource in resources), **{**whole, **members})


def contained(**members: Any) -> Resource:
    child = {"resourceType": "Medication", "id": "m", **members}
    return {**good_resource("MedicationAdministration"), "contained": [child]}


def narrative(div: str) -> Resource:
    return {"resourceType": "Flag", **without(good_resource("Flag")), "text": {"status": "generated", "div": div}}


PATIENT = good_resource("Patient")
ADMINISTRATION = good_resource("MedicationAdministration")
COMPOSITION = good_resource("Composition")
DOCUMENT = {
    **without(COMPOSITION, "section", "attester"),
    "subject": {"display": "someone"},
    "author": [{"display": "someone"}],
}
LIST = good_resource("List")
ENTRY = {"item": {"display": "x"}}
REQUEST = {"method": "DELETE", "url": "Patient/1"}
RANGE_LOW_OVER_HIGH = {"low": quantity(3), "high": quantity(2)}
NESTED = {"resourceType": "Medication", "contained": [{"resourceType": "Medication", "id": "n"}], "id": "m"}

# Each invariant: resources that break it, and their nearest neighbours that do not.
CASES: dict[str, tuple[list[Resource], list[Resource]]] = {
    "age-1": (
        [parameter(valueAge={"value": 3}), parameter(valueAge=quantity(0)), parameter(valueAge=quantity(-1))],
        [parameter(valueAge=quantity(3, "a"))],
    ),
    "att-1": (
        [parameter(valueAttachment={"data": "aGFs"})],
        [parameter(valueAttachment={"data": "aGFs", "contentType": "text/plain"})],
    ),
    "bdl-1": ([bundle("collection", total=1)], [bundle("searchset", total=1)]),
    "bdl-2": (
        [bundle("collection", {"resource": PATIENT, "search": {"mode": "match"}})],
        [bundle("searchset", {"resource": PATIENT, "search": {"mode": "match"}})],
    ),
    "bdl-3": (
        [
            bundle("transaction", {"resource": PATIENT}),
            bundle("batch", {"resource": PATIENT}),
            bundle("collection", {"resource": PATIENT, "request": REQUEST}),
        ],
        [bundle("transaction", {"request": REQUEST}), bundle("collection", {"resource": PATIENT})],
    ),
    "bdl-4": (
        [
            bundle("transaction-response", {"resource": PATIENT}),
            bundle("collection", {"resource": PATIENT, "response": {"status": "200"}}),
        ],
        [bundle("transaction-response", {"response": {"status": "201"}})],
    ),
    "bdl-5": ([bundle("collection", {"fullUrl": "urn:example:x"})], [bundle("collection", {"resource": PATIENT})]),
    "bdl-7": (
        [bundle("collection", *[{"fullUrl": "http://x.example/Patient/1", "resource": PATIENT}] * 2)],
        [
            bundle(
                "collection",
                {"fullUrl": "http://x.example/Patient/1", "resource": {**PATIENT, "meta": {"versionId": "1"}}},
                {"fullUrl": "http://x.example/Patient/1", "resource": {**PATIENT, "meta": {"versionId": "2"}}},
            )
        ],
    ),
    "bdl-8": (
        [bundle("collection", {"fullUrl": "http://x.example/Patient/1/_history/2", "resource": PATIENT})],
        [bundle("collection", {"fullUrl": "http://x.example/Patient/1", "resource": PATIENT})],
    ),
    "bdl-9": (
        [document(DOCUMENT, identifier={"value": "1"}), without(document(DOCUMENT), "identifier")],
        [document(DOCUMENT)],
    ),
    "bdl-10": ([without(document(DOCUMENT), "timestamp")], [document(DOCUMENT)]),
    "bdl-11": ([document(PATIENT, DOCUMENT)], [document(DOCUMENT, good_resource("Device"))]),
    "bdl-12": ([bundle("message", {"resource": PATIENT})], [bundle("collection", {"resource": PATIENT})]),
    "cmp-1": (
        [{**COMPOSITION, "section": [{"title": "nothing"}]}],
        [{**COMPOSITION, "section": [{"entry": [{"display": "x"}]}]}],
    ),
    "cmp-2": (
        [{**COMPOSITION, "section": [{"entry": [{"display": "x"}], "emptyReason": {"text": "none"}}]}],
        [{**COMPOSITION, "section": [{"section": [{"entry": [ENTRY["item"]]}], "emptyReason": {"text": "n"}}]}],
    ),
    "cnt-3": (
        [
            parameter(valueCount={"value": 3}),
            parameter(valueCount=quantity(3, "2")),
            parameter(valueCount=quantity(3.5, "1")),
            parameter(valueCount=quantity(3, "1", "urn:example:x")),
        ],
        [parameter(valueCount=quantity(3, "1"))],
    ),
    "con-1": ([condition(stage=[{"type": {"text": "t"}}])], [condition(stage=[{"summary": {"text": "s"}}])]),
    "con-2": (
        [condition(evidence=[{"id": "e", "extension": ABSENT["extension"]}])],
        [condition(evidence=[{"code": [{"text": "c"}]}])],
    ),
    "con-4": (
        [
            condition(abatementString="gone", clinicalStatus=concept(CLINICAL, "active")),
            condition(_abatementDateTime=ABSENT),
        ],
        [condition(abatementString="gone", clinicalStatus=concept(CLINICAL, "resolved"))],
    ),
    "con-5": (
        [
            condition(
                clinicalStatus=concept(CLINICAL, "active"),
                verificationStatus=concept(VERIFICATION, "entered-in-error"),
            )
        ],
        [condition(verificationStatus=concept(VERIFICATION, "entered-in-error"))],
    ),
    "cpb-1": ([without(capability(), "rest")], [capability()]),
    "cpb-2": (
        [without(capability(kind="requirements"), "software", "implementation")],
        [without(capability(kind="requirements", description="d"), "software", "implementation")],
    ),
    "cpb-3": (
        [
            without(
                capability(
                    kind="capability",
                    messaging=[{"endpoint": [{"protocol": {"code": "http"}, "address": "http://x.example"}]}],
                ),
                "implementation",
            )
        ],
        [capability(messaging=[{"endpoint": [{"protocol": {"code": "http"}, "address": "http://x.example"}]}])],
    ),
    "cpb-7": (
        [capability(document=[{"mode": "producer", "profile": "http://x.example/p"}] * 2)],
        [capability(document=[{"mode": m, "profile": "http://x.example/p"} for m in ("producer", "consumer")])],
    ),
    "cpb-9": (
        [capability(rest=[{"mode": "server", "resource": [{"type": "Task"}] * 2}])],
        [capability(rest=[{"mode": "server", "resource": [{"type": "Task"}, {"type": "Flag"}]}])],
    ),
    "cpb-12": (
        [
            capability(
                rest=[
                    {
                        "mode": "server",
                        "resource": [{"type": "Task", "searchParam": [{"name": "a", "type": "uri"}] * 2}],
                    }
                ]
            )
        ],
        [capability()],
    ),
    "cpb-14": ([without(capability(), "implementation")], [capability()]),
    "cpb-15": (
        [capability(kind="capability"), without(capability(kind="capability"), "software", "implementation")],
        [without(capability(kind="capability"), "implementation")],
    ),
    "cpb-16": (
        [without(capability(kind="requirements"), "implementation")],
        [without(capability(kind="requirements", description="d"), "software", "implementation")],
    ),
    "cpt-2": (
        [parameter(valueContactPoint={"value": "1"})],
        [parameter(valueContactPoint={"value": "1", "system": "phone"})],
    ),
    "dis-1": (
        [parameter(valueDistance={"value": 1}), parameter(valueDistance=quantity(1, "m", "urn:example:x"))],
        [parameter(valueDistance=quantity(1, "m"))],
    ),
    "dom-2": ([{**ADMINISTRATION, "contained": [NESTED]}], [contained()]),
    "dom-3": (
        [contained(id="other"), {**contained(), "medicationReference": {"display": "m"}}],
        [
            {
                **PATIENT,
                "contained": [
                    {
                        "resourceType": "Task",
                        "id": "t",
                        "status": "draft",
                        "intent": "plan",
                        "focus": {"reference": "#"},
                    }
                ],
            },
            {**contained(), "implicitRules": "#m", "medicationReference": {"display": "m"}},
        ],
    ),
    "dom-4": (
        [contained(meta={"versionId": "1"}), contained(meta={"lastUpdated": "2031-03-02T10:00:00Z"})],
        [contained(meta={"profile": ["http://x.example/p"]})],
    ),
    "dom-5": (
        [contained(meta={"security": [{"code": "R"}]})],
        [contained(meta={"tag": [{"code": "R"}]})],
    ),
    "drq-1": (
        [
            parameter(valueDataRequirement={"type": "Patient", "codeFilter": [{"valueSet": "http://x.example/v"}]}),
            parameter(valueDataRequirement={"type": "Patient", "codeFilter": [{"path": "a", "searchParam": "b"}]}),
        ],
        [parameter(valueDataRequirement={"type": "Patient", "codeFilter": [{"path": "a"}]})],
    ),
    "drq-2": (
        [parameter(valueDataRequirement={"type": "Patient", "dateFilter": [{"valuePeriod": {"start": "2031"}}]})],
        [parameter(valueDataRequirement={"type": "Patient", "dateFilter": [{"searchParam": "a"}]})],
    ),
    "drt-1": (
        [
            parameter(valueDuration={"system": UCUM, "code": "s"}),
            parameter(valueDuration=quantity(1, "s", "urn:example:x")),
        ],
        [parameter(valueDuration=quantity(1)), parameter(valueDuration={"value": 1})],
    ),
    "ele-1": (
        [observation(method={"id": "m"}), observation(_issued={"id": "i"})],
        [observation(issued="2031-03-02T10:00:00Z", _issued={"id": "i"}), observation(_issued=ABSENT)],
    ),
    "exp-1": (
        [parameter(valueExpression={"language": "text/cql"})],
        [parameter(valueExpression={"language": "text/cql", "reference": "http://x.example/e"})],
    ),
    "ext-1": (
        [
            observation(extension=[{"url": "urn:example:x"}]),
            observation(extension=[{"url": "urn:example:x", "valueCode": "a", **ABSENT}]),
        ],
        [observation(extension=[{"url": "urn:example:x", "_valueCode": ABSENT}])],
    ),
    "inv-1": (
        [{**good_resource("Task"), "authoredOn": "2031-03-03", "lastModified": "2031-03-02"}],
        [{**good_resource("Task"), "authoredOn": "2031-03-02", "lastModified": "2031-03-03T14:00:00Z"}],
    ),
    "inv-1@Parameters.parameter": (
        [parameter(), parameter(valueCode="a", part=[{"name": "q", "valueCode": "b"}])],
        [parameter(valueCode="a")],
    ),
    "lst-1": ([{**LIST, "emptyReason": {"text": "e"}}], [without({**LIST, "emptyReason": {"text": "e"}}, "entry")]),
    "lst-2": (
        [{**LIST, "mode": "snapshot", "entry": [{**ENTRY, "deleted": False}]}],
        [{**LIST, "mode": "changes", "entry": [{**ENTRY, "deleted": True}]}],
    ),
    "lst-3": (
        [{**LIST, "mode": "snapshot", "entry": [{**ENTRY, "date": "2031"}]}],
        [{**LIST, "mode": "working", "entry": [{**ENTRY, "date": "2031"}]}],
    ),
    "mad-1": (
        [{**ADMINISTRATION, "dosage": {"text": "t"}}],
        [{**ADMINISTRATION, "dosage": {"rateQuantity": quantity(1, "mL/h")}}],
    ),
    "obs-3": (
        [observation(referenceRange=[{"type": {"text": "t"}}])],
        [observation(referenceRange=[{"text": "normal"}])],
    ),
    "obs-6": (
        [
            observation(dataAbsentReason={"text": "t"}, valueBoolean=False),
            observation(dataAbsentReason={"text": "t"}, _valueInteger=ABSENT),
        ],
        [observation(dataAbsentReason={"text": "t"}), observation(valueBoolean=False)],
    ),
    "obs-7": (
        [
            observation(
                code=concept("urn:example:x", "a"),
                valueInteger=1,
                component=[{"code": concept("urn:example:x", "a")}],
            )
        ],
        [
            observation(
                code=concept("urn:example:x", "a"),
                valueInteger=1,
                component=[{"code": concept("urn:example:x", "b")}],
            ),
            observation(code=concept("urn:example:x", "a"), component=[{"code": concept("urn:example:x", "a")}]),
        ],
    ),
    "org-1": (
        [{"resourceType": "Organization", "active": True}],
        [{"resourceType": "Organization", "identifier": [{"value": "1"}]}],
    ),
    "org-2": (
        [{"resourceType": "Organization", "name": "n", "address": [{"use": "home"}]}],
        [{"resourceType": "Organization", "name": "n", "address": [{"use": "work"}]}],
    ),
    "org-3": (
        [{"resourceType": "Organization", "name": "n", "telecom": [{"use": "home"}]}],
        [{"resourceType": "Organization", "name": "n", "telecom": [{"use": "work"}]}],
    ),
    "pat-1": (
        [{**PATIENT, "contact": [{"gender": "other"}]}],
        [{**PATIENT, "contact": [{"organization": {"display": "o"}}]}],
    ),
    "per-1": (
        [
            parameter(valuePeriod={"start": "2031-03-02", "end": "2031-03-01"}),
            parameter(valuePeriod={"start": "2031-03-02T10:00:00+01:00", "end": "2031-03-02T08:59:59.999Z"}),
        ],
        [
            parameter(valuePeriod={"start": "2031-03-02", "end": "2031-03-03T12:00:00Z"}),
            parameter(valuePeriod={"start": "2031-03-02", "end": "2031-03-02"}),
            parameter(valuePeriod={"start": "2031-03-02T10:00:00+01:00", "end": "2031-03-02T09:00:00Z"}),
            parameter(valuePeriod={"start": "2031", "end": "2032-01"}),
        ],
    ),
    "prr-1": (
        [without(good_resource("ServiceRequest"), "code")],
        [without(good_resource("ServiceRequest"), "code", "orderDetail")],
    ),
    "qty-3": (
        [parameter(valueQuantity={"value": 1, "code": "s"})],
        [parameter(valueQuantity={"value": 1, "unit": "s"})],
    ),
    "rat-1": (
        [parameter(valueRatio={"numerator": quantity(1)}), parameter(valueRatio={"denominator": quantity(1)})],
        [
            parameter(valueRatio={"numerator": quantity(1), "denominator": quantity(2)}),
            parameter(valueRatio=ABSENT),
        ],
    ),
    "ref-1": (
        [observation(subject={"reference": "#p"}), observation(subject={"reference": "#"})],
        [contained()],
    ),
    "rng-2": (
        [parameter(valueRange=RANGE_LOW_OVER_HIGH)],
        [
            parameter(valueRange={"low": quantity(2), "high": quantity(2)}),
        ],
    ),
    "sev-1": (
        [{**good_resource("AuditEvent"), "entity": [{"name": "n", "query": "aGFs"}]}],
        [{**good_resource("AuditEvent"), "entity": [{"name": "n"}]}],
    ),
    "sqty-1": (
        [parameter(valueRange={"low": {**quantity(1), "comparator": "<"}})],
        [parameter(valueQuantity={**quantity(1), "comparator": "<"})],
    ),
    "tim-1": ([repeat(duration=1)], [repeat(duration=1, durationUnit="s")]),
    "tim-2": ([repeat(period=1)], [repeat(period=1, periodUnit="s")]),
    "tim-4": ([repeat(duration=-1, durationUnit="s")], [repeat(duration=0, durationUnit="s")]),
    "tim-5": ([repeat(period=-1, periodUnit="s")], [repeat(period=0, periodUnit="s")]),
    "tim-6": ([repeat(periodMax=1)], [repeat(period=1, periodUnit="s", periodMax=1)]),
    "tim-7": ([repeat(durationMax=1)], [repeat(duration=1, durationUnit="s", durationMax=1)]),
    "tim-8": ([repeat(countMax=1)], [repeat(count=1, countMax=1)]),
    "tim-9": ([repeat(offset=1), repeat(offset=1, when=["C"])], [repeat(offset=1, when=["MORN"])]),
    "tim-10": ([repeat(timeOfDay=["10:00:00"], when=["MORN"])], [repeat(timeOfDay=["10:00:00"])]),
    "trd-1": (
        [trigger("data-added", data=[{"type": "Patient"}], timingDate="2031")],
        [trigger("data-added", data=[{"type": "Patient"}])],
    ),
    "trd-2": (
        [trigger("periodic", timingDate="2031", condition={"language": "text/cql", "expression": "e"})],
        [trigger("data-added", data=[{"type": "Task"}], condition={"language": "text/cql", "expression": "e"})],
    ),
    "trd-3": (
        [trigger("named-event"), trigger("periodic"), trigger("data-added")],
        [trigger("named-event", name="n"), trigger("periodic", timingDate="2031")],
    ),
    "txt-1": (
        [
            narrative("plain text"),
            narrative("<div>no namespace</div>"),
            narrative(DIV + '<p onclick="x()">x</p></div>'),
            narrative(DIV + "<p>not closed</div>"),
            narrative(DIV + "&nbsp;</div>"),
            narrative(DIV + '<a href=" java\nscript:x()">x</a></div>'),
            narrative("<!DOCTYPE d [<!ENTITY x 'y'>]>" + DIV + "&x;</div>"),
            narrative(DIV + "<?php x ?>x</div>"),
            narrative(DIV + "<form>x</form></div>"),
            narrative(DIV.replace("div", "p") + "x</p>"),
        ],
        [narrative(DIV + '<!-- c --><p class="a" xml:lang="en">x<br/></p><a href="http://x.example">y</a></div>')],
    ),
    "txt-2": ([narrative(DIV + " \n<p> </p></div>")], [narrative(DIV + '<img src="#a" alt="x"/></div>')]),
}


def found(resource: Resource) -> list[str]:
    return [finding.rule for finding in check_resource(resource)]


def test_every_error_invariant_of_the_table_is_checked_or_has_its_reason() -> None:
    errors = {name for name, invariant in INVARIANTS.items() if invariant.severity == "error"}

    assert errors == set(INVARIANT_CHECKS) | set(CHECKED_ELSEWHERE) | set(NOT_CHECKED)
    assert not set(INVARIANT_CHECKS) & set(CHECKED_ELSEWHERE)


def test_every_checked_invariant_has_its_cases() -> None:
    assert set(CASES) == set(INVARIANT_CHECKS) | set(CHECKED_ELSEWHERE)


@pytest.mark.parametrize("name", CASES)
def test_a_resource_that_breaks_the_invariant_is_found_by_its_key(name: str) -> None:
    for resource in CASES[name][0]:
        assert INVARIANTS[name].key in found(resource), resource


@pytest.mark.parametrize("name", CASES)
def test_its_nearest_good_neighbour_has_no_finding(name: str) -> None:
    for resource in CASES[name][1]:
        assert found(resource) == []


@pytest.mark.parametrize(
    ("resource", "rule"),
    [
        (parameter(valuePeriod={"start": "2031-03-02", "end": "2031-03-02T00:00:00Z"}), "per-1"),
        (parameter(valuePeriod={"start": "2031", "end": "2031-01"}), "per-1"),
        (parameter(valueRange={"low": quantity(3, "s"), "high": quantity(2, "min")}), "rng-2"),
        ({**good_resource("Task"), "authoredOn": "2031-03-02", "lastModified": "2031-03"}, "inv-1"),
    ],
)
def test_an_invariant_that_nobody_can_decide_is_a_warning(resource: Resource, rule: str) -> None:
    (finding,) = check_resource(resource)

    assert (finding.rule, finding.severity) == (rule, "warning")


def test_an_invariant_is_not_asked_where_the_structure_is_broken() -> None:
    assert found(parameter(valuePeriod={"start": 5, "end": "2031"})) == ["type"]


def test_an_invariant_is_asked_where_a_child_breaks_only_an_invariant() -> None:
    resource = observation(dataAbsentReason={"text": "t"}, valueQuantity={"value": 1, "code": "s"})

    assert sorted(found(resource)) == ["obs-6", "qty-3"]
