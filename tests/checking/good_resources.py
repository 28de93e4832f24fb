"""One good resource of each type that the service makes or takes, invented for the tests; all are right R4."""

from __future__ import annotations

from copy import deepcopy
from typing import Any

Resource = dict[str, Any]

_UCUM = "http://unitsofmeasure.org"
_LOINC = "http://loinc.org"
_SNOMED = "http://snomed.info/sct"
_PATIENT = {"reference": "Patient/2f6f3c1e-8a5d-5a0e-9a51-0d3c1a2b4c5d"}
_ENCOUNTER = {"reference": "Encounter/e-7"}
_EMPTY_DIV = '<div xmlns="http://www.w3.org/1999/xhtml">Nothing</div>'
_DEVICE = {"reference": "Device/d-3", "display": "Defibrillator"}


def _coded(code: str, display: str, system: str = _LOINC) -> Resource:
    return {"coding": [{"system": system, "code": code, "display": display}], "text": display}


def _quantity(value: float, code: str) -> Resource:
    return {"value": value, "unit": code, "system": _UCUM, "code": code}


_GOOD: dict[str, Resource] = {
    "AuditEvent": {
        "resourceType": "AuditEvent",
        "type": {"system": "http://terminology.hl7.org/CodeSystem/audit-event-type", "code": "rest"},
        "action": "C",
        "period": {"start": "2031-03-02", "end": "2031-03-03"},
        "recorded": "2031-03-02T10:02:05.123+01:00",
        "outcome": "0",
        "agent": [{"requestor": True, "who": _DEVICE, "network": {"address": "127.0.0.1", "type": "2"}}],
        "source": {"site": "Ward 4", "observer": _DEVICE},
        "entity": [{"what": _PATIENT, "query": "aGFsbG8=", "detail": [{"type": "t", "valueString": "v"}]}],
    },
    "Binary": {"resourceType": "Binary", "contentType": "text/plain", "data": "aGFs\nbG8="},
    "Bundle": {
        "resourceType": "Bundle",
        "type": "transaction",
        "entry": [
            {
                "fullUrl": "urn:uuid:2f6f3c1e-8a5d-5a0e-9a51-0d3c1a2b4c5d",
                "resource": {"resourceType": "Patient", "active": True},
                "request": {"method": "POST", "url": "Patient", "ifNoneExist": "identifier=a|b"},
            },
            {
                "fullUrl": "urn:uuid:4b6f3c1e-8a5d-5a0e-9a51-0d3c1a2b4c5d",
                "resource": {
                    "resourceType": "Observation",
                    "status": "final",
                    "code": {"text": "rhythm"},
                    "subject": {"reference": "urn:uuid:2f6f3c1e-8a5d-5a0e-9a51-0d3c1a2b4c5d"},
                    "encounter": {"reference": "Encounter?identifier=urn:example:encounters|E-7"},
                    "valueString": "asystole",
                },
                "request": {"method": "PUT", "url": "Observation?identifier=a|c"},
            },
        ],
    },
    "CapabilityStatement": {
        "resourceType": "CapabilityStatement",
        "status": "active",
        "date": "2031-03",
        "kind": "instance",
        "software": {"name": "made up"},
        "implementation": {"description": "made up", "url": "http://127.0.0.1:8000/fhir"},
        "fhirVersion": "4.0.1",
        "format": ["json", "application/fhir+json"],
        "rest": [
            {
                "mode": "server",
                "resource": [
                    {
                        "type": "Patient",
                        "interaction": [{"code": "read"}, {"code": "update"}],
                        "versioning": "versioned",
                        "conditionalDelete": "not-supported",
                        "referencePolicy": ["literal", "local"],
                        "searchParam": [
                            {"name": "identifier", "type": "token"},
                            {"name": "_id", "type": "token"},
                        ],
                    },
                    {"type": "Observation"},
                ],
                "interaction": [{"code": "transaction"}],
            }
        ],
    },
    "Communication": {
        "resourceType": "Communication",
        "status": "completed",
        "priority": "urgent",
        "subject": _PATIENT,
        "sent": "2031-03-02T10:02:05Z",
        "recipient": [{"reference": "PractitionerRole/pr-1"}, {"reference": "Group/g-1"}],
        "payload": [{"contentString": "team called"}, {"contentReference": {"reference": "Task/t-1"}}],
    },
    "Composition": {
        "resourceType": "Composition",
        "text": {
            "status": "generated",
            "div": '<div xmlns="http://www.w3.org/1999/xhtml"><p>The <b>record</b> &amp; its figures&#160;</p>'
            '<table border="1"><tr><td colspan="2">10:02</td></tr></table>'
            '<img src="https://chart.example/strip.png" alt="strip"/></div>',
        },
        "status": "final",
        "type": _coded("34133-9", "Summary of episode note"),
        "subject": _PATIENT,
        "date": "2031-03-02T11:00:00+01:00",
        "author": [_DEVICE],
        "title": "Resuscitation record",
        "confidentiality": "N",
        "attester": [{"mode": "professional", "party": {"reference": "Practitioner/p-1"}}],
        "section": [
            {"title": "Events", "entry": [{"reference": "Observation/o-1"}], "mode": "snapshot"},
            {
                "title": "Nested",
                "section": [{"title": "Empty", "text": {"status": "empty", "div": _EMPTY_DIV}}],
            },
        ],
    },
    "Condition": {
        "resourceType": "Condition",
        "clinicalStatus": _coded(
            "resolved", "Resolved", "http://terminology.hl7.org/CodeSystem/condition-clinical"
        ),
        "verificationStatus": {
            "coding": [
                {"system": "urn:example:local", "code": "sure"},
                {
                    "system": "http://terminology.hl7.org/CodeSystem/condition-ver-status",
                    "code": "confirmed",
                },
            ]
        },
        "code": _coded("410429000", "Cardiac arrest", _SNOMED),
        "subject": _PATIENT,
        "onsetDateTime": "2031-03-02T10:00:00+01:00",
        "abatementPeriod": {"start": "2031-03-02", "end": "2031-03-02"},
        "stage": [{"summary": {"text": "late"}}],
        "evidence": [{"detail": [{"reference": "Observation/o-1"}]}],
    },
    "DetectedIssue": {
        "resourceType": "DetectedIssue",
        "status": "final",
        "severity": "high",
        "identifiedPeriod": {"start": "2031-03-02T10:00:00Z"},
        "implicated": [{"reference": "Substance/s-1"}, {"reference": "https://chart.example/fhir/Patient/1"}],
    },
    "Device": {
        "resourceType": "Device",
        "identifier": [{"system": "urn:example:devices", "value": "SN-0003"}],
        "udiCarrier": [{"deviceIdentifier": "1", "carrierAIDC": "aGFsbG8=", "entryType": "barcode"}],
        "status": "active",
        "manufactureDate": "2029",
        "serialNumber": "SN-0003",
        "deviceName": [{"name": "Defibrillator 3", "type": "user-friendly-name"}],
        "property": [{"type": {"text": "charge"}, "valueQuantity": [_quantity(96, "%")]}],
        "owner": {"reference": "Organization/o-1"},
        "location": {"identifier": {"system": "urn:example:wards", "value": "4"}, "type": "Location"},
    },
    "DeviceMetric": {
        "resourceType": "DeviceMetric",
        "type": {"text": "impedance"},
        "source": _DEVICE,
        "operationalStatus": "on",
        "color": "green",
        "category": "measurement",
        "measurementPeriod": {"repeat": {"frequency": 1, "period": 0.004, "periodUnit": "s"}},
        "calibration": [{"type": "gain", "state": "calibrated", "time": "2031-01-01T00:00:00Z"}],
    },
    "DiagnosticReport": {
        "resourceType": "DiagnosticReport",
        "status": "preliminary",
        "code": _coded("11524-6", "EKG study"),
        "subject": {"reference": "Location/l-1"},
        "issued": "2031-03-02T10:02:05Z",
        "result": [{"reference": "Observation/o-1/_history/2"}],
        "presentedForm": [{"contentType": "application/pdf", "data": "aGFsbG8="}],
    },
    "DocumentReference": {
        "resourceType": "DocumentReference",
        "status": "current",
        "docStatus": "final",
        "date": "2031-03-02T10:02:05Z",
        "relatesTo": [{"code": "replaces", "target": {"reference": "DocumentReference/1"}}],
        "content": [{"attachment": {"contentType": "text/csv", "url": "Binary/1", "size": 10, "hash": "aGFs"}}],
    },
    "Encounter": {
        "resourceType": "Encounter",
        "status": "in-progress",
        "class": {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "IMP"},
        "subject": {"reference": "Patient/1"},
        "period": {"start": "2031-03-02T10:00:00+01:00"},
        "location": [{"location": {"reference": "Location/l-1"}, "status": "active"}],
    },
    "Flag": {
        "resourceType": "Flag",
        "status": "active",
        "code": {"text": "unidentified"},
        "subject": _PATIENT,
    },
    "List": {
        "resourceType": "List",
        "status": "current",
        "mode": "working",
        "entry": [{"item": {"reference": "CarePlan/c-1"}, "date": "2031-03-02"}],
    },
    "Location": {
        "resourceType": "Location",
        "status": "active",
        "name": "Ward 4, bed 2",
        "mode": "instance",
        "telecom": [{"system": "phone", "value": "0000", "use": "work", "rank": 1}],
        "address": {"use": "work", "line": ["Example street 1"]},
        "position": {"longitude": -83.69, "latitude": 4.2e1, "altitude": 0},
        "hoursOfOperation": [{"daysOfWeek": ["mon", "sun"], "openingTime": "08:00:00", "allDay": False}],
    },
    "Media": {
        "resourceType": "Media",
        "status": "completed",
        "subject": _PATIENT,
        "createdDateTime": "2031-03-02",
        "height": 1,
        "duration": 0.5,
        "content": {"contentType": "image/png", "url": "https://chart.example/strip.png"},
    },
    "Medication": {
        "resourceType": "Medication",
        "status": "active",
        "amount": {"numerator": _quantity(1, "mg"), "denominator": _quantity(1, "mL")},
        "ingredient": [{"itemCodeableConcept": {"text": "epinephrine"}, "isActive": True}],
        "batch": {"lotNumber": "l", "expirationDate": "2032-12-31"},
    },
    "MedicationAdministration": {
        "resourceType": "MedicationAdministration",
        "contained": [{"resourceType": "Medication", "id": "m", "code": {"text": "epinephrine 1 mg in 10 mL"}}],
        "status": "completed",
        "medicationReference": {"reference": "#m"},
        "subject": _PATIENT,
        "context": _ENCOUNTER,
        "effectiveDateTime": "2031-03-02T10:05:00+01:00",
        "dosage": {
            "route": _coded("47625008", "Intravenous route", _SNOMED),
            "dose": _quantity(1, "mg"),
            "rateQuantity": _quantity(0.5, "mg/min"),
        },
    },
    "Observation": {
        "resourceType": "Observation",
        "id": "2f6f3c1e-8a5d-5a0e-9a51-0d3c1a2b4c5e",
        "meta": {
            "versionId": "1",
            "lastUpdated": "2031-03-02T10:02:06.000Z",
            "profile": ["http://hl7.org/fhir/StructureDefinition/vitalsigns"],
        },
        "extension": [
            {"url": "urn:example:raw-time", "valueDateTime": "2031-03-02T10:04:47+01:00"},
            {
                "url": "urn:example:clock",
                "extension": [
                    {"url": "offset", "valueDuration": _quantity(-162, "s")},
                    {"url": "device", "valueReference": _DEVICE},
                ],
            },
        ],
        "identifier": [{"use": "usual", "system": "urn:example:events", "value": "c-1/e-12"}],
        "partOf": [{"reference": "Procedure/p-1"}],
        "status": "final",
        "category": [
            _coded("vital-signs", "Vital Signs", "http://terminology.hl7.org/CodeSystem/observation-category")
        ],
        "code": _coded("85354-9", "Blood pressure panel"),
        "subject": _PATIENT,
        "encounter": _ENCOUNTER,
        "effectiveDateTime": "2031-03-02T10:02:05+01:00",
        "issued": "2031-03-02T10:02:05.500Z",
        "performer": [{"reference": "Practitioner/p-1"}],
        "_valueInteger": {
            "extension": [
                {
                    "url": "http://hl7.org/fhir/StructureDefinition/data-absent-reason",
                    "valueCode": "not-applicable",
                }
            ]
        },
        "device": {"reference": "DeviceMetric/dm-1"},
        "referenceRange": [{"low": _quantity(90, "mm[Hg]"), "high": _quantity(140, "mm[Hg]")}],
        "component": [
            {"code": _coded("8480-6", "Systolic"), "valueQuantity": _quantity(118.0, "mm[Hg]")},
            {"code": _coded("8462-4", "Diastolic"), "dataAbsentReason": {"text": "not measured"}},
            {
                "code": {"text": "strip"},
                "valueSampledData": {
                    "origin": _quantity(0, "mV"),
                    "period": 4,
                    "factor": 0.001,
                    "lowerLimit": -5,
                    "upperLimit": 5,
                    "dimensions": 1,
                    "data": "0 -12 3.50 E L U 1e3",
                },
            },
        ],
    },
    "OperationOutcome": {
        "resourceType": "OperationOutcome",
        "issue": [{"severity": "error", "code": "invalid", "expression": ["Observation.status"]}],
    },
    "Organization": {
        "resourceType": "Organization",
        "name": "Example hospital",
        "telecom": [{"system": "email", "value": "a@hospital.example", "use": "work"}],
    },
    "Parameters": {
        "resourceType": "Parameters",
        "parameter": [
            {"name": "resource", "resource": {"resourceType": "Patient", "active": True}},
            {"name": "parts", "part": [{"name": "mode", "valueCode": "create"}]},
        ],
    },
    "Patient": {
        "resourceType": "Patient",
        "id": "1",
        "language": "en",
        "identifier": [
            {
                "system": "urn:example:hospital:patients",
                "value": "P-100",
                "assigner": {"display": "Example hospital"},
            }
        ],
        "active": True,
        "name": [
            {
                "use": "official",
                "family": "Example\u00a0Person",
                "given": ["Ada", None],
                "_given": [None, {"id": "g2", "extension": [{"url": "urn:example:x", "valueBoolean": False}]}],
            }
        ],
        "gender": "female",
        "birthDate": "1972-02-29",
        "_birthDate": {"id": "b"},
        "deceasedDateTime": "2031-03-02T10:44:00-02:00",
        "multipleBirthInteger": 2,
        "contact": [{"name": {"text": "A neighbour"}, "gender": "unknown"}],
        "link": [{"other": {"reference": "RelatedPerson/1"}, "type": "seealso"}],
    },
    "Practitioner": {
        "resourceType": "Practitioner",
        "name": [{"text": "R. Example", "suffix": ["RN"]}],
        "qualification": [{"code": {"text": "nurse"}, "period": {"start": "2020", "end": "2021-05"}}],
    },
    "Procedure": {
        "resourceType": "Procedure",
        "status": "completed",
        "code": _coded("308842001", "Direct current defibrillation", _SNOMED),
        "subject": _PATIENT,
        "performedPeriod": {"start": "2031-03-02T10:02:05+01:00", "end": "2031-03-02T09:02:05Z"},
        "performer": [{"actor": {"reference": "Practitioner/p-1"}, "onBehalfOf": {"display": "team"}}],
        "partOf": [{"reference": "Procedure/p-0"}],
        "note": [{"authorString": "R. Example", "time": "2031-03-02", "text": "First line\nsecond line\t."}],
        "usedReference": [_DEVICE],
    },
    "Provenance": {
        "resourceType": "Provenance",
        "target": [{"reference": "Observation/o-1/_history/1"}],
        "occurredDateTime": "2031-03-02T10:02:05Z",
        "recorded": "2031-03-02T10:02:05Z",
        "agent": [{"who": {"type": "Device", "identifier": {"value": "x"}}}],
        "entity": [{"role": "source", "what": {"reference": "urn:uuid:2f6f3c1e-8a5d-5a0e-9a51-0d3c1a2b4c5d"}}],
        "signature": [
            {
                "type": [{"system": "urn:iso-astm:E1762-95:2013", "code": "1.2.840.10065.1.12.1.1"}],
                "when": "2031-03-02T10:02:05Z",
                "who": _DEVICE,
                "sigFormat": "application/jose",
                "data": "aGFsbG8=",
            }
        ],
    },
    "ServiceRequest": {
        "resourceType": "ServiceRequest",
        "status": "active",
        "intent": "order",
        "priority": "stat",
        "code": {"text": "check"},
        "orderDetail": [{"text": "now"}],
        "quantityRange": {"low": _quantity(1, "h"), "high": _quantity(2, "h")},
        "subject": _DEVICE,
        "occurrenceTiming": {
            "event": ["2031-03-02"],
            "repeat": {"boundsRange": {"low": _quantity(1, "d")}, "timeOfDay": ["08:00:00"]},
        },
    },
    "Task": {
        "resourceType": "Task",
        "status": "requested",
        "intent": "order",
        "priority": "routine",
        "focus": _DEVICE,
        "authoredOn": "2031-03-02T10:00:00+01:00",
        "lastModified": "2031-03-02T09:00:00Z",
        "requester": {"reference": "Organization/o-1", "type": "Organization"},
        "restriction": {"repetitions": 1, "period": {"end": "2031-03-03"}},
        "input": [{"type": {"text": "fault"}, "valueUrl": "https://hospital.example/faults/1"}],
    },
}


def good_resource(kind: str) -> Resource:
    """Return a fresh copy of the good resource of `kind`."""
    return deepcopy(_GOOD[kind])


GOOD_KINDS = tuple(sorted(_GOOD))
