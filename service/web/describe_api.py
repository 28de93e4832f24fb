"""Writes the API description (OpenAPI) from the vocabulary: every body with its schema and a good example."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi
from pydantic.json_schema import models_json_schema

from service.exact_json import read_json, write_json
from service.intake.read_check import check_model
from service.vocabulary.load_vocabulary import Vocabulary

_REFERENCES = "#/components/schemas/"

_PROBLEM = {
    "type": "object",
    "description": "Problem details (RFC 9457) with everything that is wrong.",
    "required": ["type", "title", "status", "detail", "problems"],
    "properties": {
        "type": {"type": "string"},
        "title": {"type": "string"},
        "status": {"type": "integer"},
        "detail": {"type": "string"},
        "problems": {
            "type": "array",
            "items": {
                "type": "object",
                "required": ["code", "pointer", "message", "expected"],
                "properties": {
                    "code": {"type": "string"},
                    "pointer": {
                        "type": "string",
                        "description": "JSON pointer into the request body; empty for the whole body.",
                    },
                    "message": {"type": "string"},
                    "expected": {"type": "string", "description": "What would be right."},
                },
            },
        },
    },
}

_CASE = {
    "patient": {"identifier": {"system": "urn:example:hospital:patients", "value": "P-100"}},
    "encounter": {"system": "urn:example:hospital:encounters", "value": "E-7"},
    "location": "Ward 4, bed 2",
    "population": "adult",
    "weight_kilograms": 80,
    "started_at": "2031-03-02T10:00:00+01:00",
}
_SHOCK = {
    "id": "e-12",
    "kind": "shock_delivered",
    "at": "2031-03-02T10:02:05+01:00",
    "clock": "D-3",
    "device": "D-3",
    "recorded_by": {"role": "recorder", "name": "R. Example"},
    "source": "person",
    "energy_selected_joules": 200,
    "energy_delivered_joules": 187,
    "waveform": "biphasic",
    "electrodes": "pads",
    "operating_mode": "manual",
}
_DEVICE = {
    "type": "defibrillator",
    "serial": "SN-0003",
    "location": "Ward 4",
    "check_interval_hours": 24,
    "capabilities": {
        "energy_selections_joules": [20, 60, 100, 140, 200, 260, 320],
        "operating_modes": ["manual", "advisory"],
        "greatest_pacing_output_milliamperes": 150,
        "pacing_modes": ["demand", "fixed"],
    },
}
_CHECK = {
    "id": "k-1",
    "checked_at": "2031-03-02T07:00:00+01:00",
    "checked_by": {"role": "nurse", "name": "N. Example"},
    "items": {
        "self_test": {"result": "passed"},
        "battery": {"charge_percent": 96},
        "test_shock": {"selected_joules": 200, "delivered_joules": 194.6, "load_ohms": 50, "charge_seconds": 4.2},
        "clock": {"device_at": "2031-03-02T07:02:42+01:00", "reference_at": "2031-03-02T07:00:00+01:00"},
    },
}

BODIES: Mapping[tuple[str, str], tuple[Any, Any]] = {
    ("put", "/v1/cases/{case_id}"): ({"$ref": _REFERENCES + "Case"}, _CASE),
    ("post", "/v1/cases/{case_id}/events"): (
        {
            "anyOf": [
                {"$ref": _REFERENCES + "Event"},
                {"type": "array", "maxItems": 500, "items": {"$ref": _REFERENCES + "Event"}},
            ]
        },
        _SHOCK,
    ),
    ("put", "/v1/cases/{case_id}/events/{event_id}"): ({"$ref": _REFERENCES + "Event"}, _SHOCK),
    ("put", "/v1/devices/{device_id}"): ({"$ref": _REFERENCES + "Device"}, _DEVICE),
    ("post", "/v1/devices/{device_id}/checks"): ({"$ref": _REFERENCES + "Check"}, _CHECK),
    ("post", "/v1/preview"): (
        {
            "anyOf": [
                {"$ref": _REFERENCES + "Event"},
                {
                    "type": "object",
                    "additionalProperties": False,
                    "properties": {
                        "case": {"$ref": _REFERENCES + "Case"},
                        "events": {"type": "array", "items": {"$ref": _REFERENCES + "Event"}},
                    },
                },
            ]
        },
        {"case": _CASE, "events": [_SHOCK]},
    ),
}
"""For each call that takes a body: its schema and an example; a test posts every example."""


OTHER_ANSWERS: Mapping[tuple[str, str], tuple[str, str]] = {
    ("put", "/v1/cases/{case_id}"): ("200", "Amended, or the same content again"),
    ("put", "/v1/devices/{device_id}"): ("200", "Amended, or the same content again"),
    ("post", "/v1/cases/{case_id}/events"): (
        "207",
        "For an array: one outcome per item (accepted, duplicate, or rejected with its problems)",
    ),
}
"""The second success that some calls have, beside the one that their route declares."""


def _schemas(vocabulary: Vocabulary) -> dict[str, Any]:
    models = [shape.model for shape in vocabulary.events.values()]
    all_models = [*models, vocabulary.case.model, vocabulary.device.model, check_model(vocabulary)]
    _, definitions = models_json_schema(
        [(model, "validation") for model in all_models], ref_template=_REFERENCES + "{model}"
    )
    schemas: dict[str, Any] = definitions["$defs"]
    names = {shape.name: shape.model.__name__ for shape in vocabulary.events.values()}
    schemas["Event"] = {
        "description": "One event; `kind` says which.",
        "oneOf": [{"$ref": _REFERENCES + name} for name in names.values()],
        "discriminator": {
            "propertyName": "kind",
            "mapping": {kind: _REFERENCES + name for kind, name in names.items()},
        },
    }
    schemas["Problem"] = _PROBLEM
    return schemas


def describe_api(app: FastAPI, vocabulary: Vocabulary) -> dict[str, Any]:
    """Return the OpenAPI document of the application."""
    description = get_openapi(
        title=app.title,
        version=app.version,
        summary=app.summary,
        description=app.description,
        routes=app.routes,
    )
    description.setdefault("components", {})["schemas"] = _schemas(vocabulary)
    problem = {"application/problem+json": {"schema": {"$ref": _REFERENCES + "Problem"}}}
    for path, calls in description["paths"].items():
        for method, call in calls.items():
            if (method, path) in BODIES:
                schema, example = BODIES[method, path]
                call["requestBody"] = {
                    "required": True,
                    "content": {"application/json": {"schema": schema, "example": example}},
                }
            if (method, path) in OTHER_ANSWERS:
                status, says = OTHER_ANSWERS[method, path]
                call["responses"][status] = {"description": says, "content": {"application/json": {}}}
            call["responses"].pop("422", None)
            call["responses"]["default"] = {"description": "Refused", "content": problem}
    # Numbers with a remembered spelling come from the mapping data; the description needs only their value.
    plain: dict[str, Any] = read_json(write_json(description))
    return plain
