"""Made-up R4 resources, good ones and spoiled ones, that prove a reader awake."""

from __future__ import annotations

import copy
from typing import Any

OBSERVATION: dict[str, Any] = {
    "resourceType": "Observation",
    "status": "final",
    "category": [
        {
            "coding": [
                {
                    "system": "http://terminology.hl7.org/CodeSystem/observation-category",
                    "code": "vital-signs",
                }
            ]
        }
    ],
    "code": {"coding": [{"system": "http://loinc.org", "code": "8867-4", "display": "Heart rate"}]},
    "subject": {"reference": "Patient/0c5a3f0e-5a52-4a53-9a66-0f1b9b6e1c11"},
    "effectiveDateTime": "2031-03-02T10:02:05+01:00",
    "valueQuantity": {
        "value": 80,
        "unit": "beats/minute",
        "system": "http://unitsofmeasure.org",
        "code": "/min",
    },
}

PROCEDURE: dict[str, Any] = {
    "resourceType": "Procedure",
    "status": "completed",
    "code": {"text": "Defibrillation"},
    "subject": {"reference": "Patient/0c5a3f0e-5a52-4a53-9a66-0f1b9b6e1c11"},
    "performedDateTime": "2031-03-02T10:02:05+01:00",
}

MEDICATION_ADMINISTRATION: dict[str, Any] = {
    "resourceType": "MedicationAdministration",
    "status": "completed",
    "medicationCodeableConcept": {"text": "epinephrine"},
    "subject": {"reference": "Patient/0c5a3f0e-5a52-4a53-9a66-0f1b9b6e1c11"},
    "effectiveDateTime": "2031-03-02T10:04:00+01:00",
    "dosage": {
        "dose": {"value": 1, "unit": "mg", "system": "http://unitsofmeasure.org", "code": "mg"},
    },
}

GOOD_RESOURCES = (OBSERVATION, PROCEDURE, MEDICATION_ADMINISTRATION)


def _changed(resource: dict[str, Any], *without: str, **changes: Any) -> dict[str, Any]:
    changed = {name: copy.deepcopy(value) for name, value in resource.items() if name not in without}
    return changed | changes


SPOILED_RESOURCES: dict[str, dict[str, Any]] = {
    "observation without status": _changed(OBSERVATION, "status"),
    "procedure without status": _changed(PROCEDURE, "status"),
    "administration without status": _changed(MEDICATION_ADMINISTRATION, "status"),
    "procedure without subject": _changed(PROCEDURE, "subject"),
    "code as a string": _changed(OBSERVATION, code="heart rate"),
    "value in quotes": _changed(OBSERVATION, valueQuantity={"value": "eighty"}),
    "category not in a list": _changed(OBSERVATION, category={"text": "vital signs"}),
    "element that R4 lacks": _changed(OBSERVATION, energyJoules=200),
    "two values": _changed(OBSERVATION, valueString="eighty"),
    "month thirteen": _changed(OBSERVATION, effectiveDateTime="2031-13-02T10:02:05+01:00"),
    "resource type that R4 lacks": _changed(OBSERVATION, resourceType="Resuscitation"),
    "spoiled resource in a bundle": {
        "resourceType": "Bundle",
        "type": "collection",
        "entry": [
            {
                "fullUrl": "urn:uuid:0c5a3f0e-5a52-4a53-9a66-0f1b9b6e1c12",
                "resource": _changed(OBSERVATION, "status"),
            }
        ],
    },
}
"""Resources that every reader worth the name refuses, unless its own test says why it does not."""

WRONG_REFERENCE = _changed(OBSERVATION, subject={"reference": "Medication/1"})
UNKNOWN_STATUS = _changed(OBSERVATION, status="done")
WRONG_UNIT = _changed(
    MEDICATION_ADMINISTRATION,
    dosage={"dose": {"value": 1000, "unit": "mcg", "system": "http://unitsofmeasure.org", "code": "mcg"}},
)
VALUE_AND_REASON_FOR_ITS_ABSENCE = _changed(OBSERVATION, dataAbsentReason={"text": "unknown"})
