"""Each search parameter of each type finds the resource that has its value, and not the one that has another."""

from __future__ import annotations

import re
from collections.abc import AsyncIterator
from pathlib import Path

import httpx
import pytest
from starlette.applications import Starlette

from service.checking.check_resource import check_resource
from service.checking.table import COVERED_RESOURCES
from service.clock import random_id
from service.endpoint.application import create_endpoint
from service.endpoint.mount_endpoint import routes_at
from service.endpoint.search_parameters import _BY_TYPE, EVERY_TYPE, parameters_of
from tests.endpoint.conftest import BASE
from tests.endpoint.resources import Json, ids_in
from tests.support.ticking_clock import TickingClock

pytestmark = pytest.mark.anyio

PAGE = Path(__file__).parents[2] / "docs" / "servers.md"
NOON, AT = "2031-03-02T12:00:00Z", "2031-03-02"
PATIENT, ENCOUNTER, DEVICE = ({"reference": f"{name}/one"} for name in ("Patient", "Encounter", "Device"))
PROCEDURE, OBSERVATION = ({"reference": f"{name}/one"} for name in ("Procedure", "Observation"))
TASK, REPORT = {"reference": "Task/one"}, {"reference": "DocumentReference/one"}
CLINICAL, VERIFIED = (
    f"http://terminology.hl7.org/CodeSystem/condition-{name}" for name in ("clinical", "ver-status")
)
IDENTIFIER = {"system": "urn:example:ids", "value": "one"}


def code(word: str) -> Json:
    return {"coding": [{"system": "urn:example:codes", "code": word}]}


OF_SUBJECT: Json = {"identifier": [IDENTIFIER], "subject": PATIENT}
OF_ENCOUNTER: Json = {**OF_SUBJECT, "encounter": ENCOUNTER}
RESOURCES: dict[str, Json] = {
    "Patient": {"identifier": [IDENTIFIER]},
    "Device": {"identifier": [IDENTIFIER], "type": code("t"), "status": "active", "patient": PATIENT},
    "DeviceMetric": {
        "identifier": [IDENTIFIER],
        "type": code("t"),
        "category": "measurement",
        "source": DEVICE,
        "parent": DEVICE,
    },
    "Location": {"identifier": [IDENTIFIER], "status": "active"},
    "Encounter": {
        **OF_SUBJECT,
        "status": "finished",
        "class": {"system": "urn:example:codes", "code": "c"},
        "type": [code("t")],
        "partOf": ENCOUNTER,
        "period": {"start": NOON, "end": NOON},
    },
    "Procedure": {
        **OF_ENCOUNTER,
        "status": "completed",
        "code": code("c"),
        "category": code("k"),
        "partOf": [PROCEDURE],
        "performedPeriod": {"start": NOON, "end": NOON},
    },
    "Observation": {
        **OF_ENCOUNTER,
        "status": "final",
        "code": code("c"),
        "category": [code("k")],
        "component": [{"code": code("part"), "valueInteger": 1}],
        "partOf": [PROCEDURE],
        "derivedFrom": [OBSERVATION],
        "hasMember": [OBSERVATION],
        "focus": [DEVICE],
        "device": DEVICE,
        "effectiveInstant": NOON,
    },
    "MedicationAdministration": {
        **OF_SUBJECT,
        "status": "completed",
        "medicationCodeableConcept": code("c"),
        "context": ENCOUNTER,
        "device": [DEVICE],
        "effectivePeriod": {"start": NOON, "end": NOON},
    },
    "Condition": {
        **OF_ENCOUNTER,
        "code": code("c"),
        "category": [code("k")],
        "clinicalStatus": {"coding": [{"system": CLINICAL, "code": "active"}]},
        "verificationStatus": {"coding": [{"system": VERIFIED, "code": "confirmed"}]},
        "onsetPeriod": {"start": NOON, "end": NOON},
        "recordedDate": NOON,
    },
    "Provenance": {"target": [PATIENT, OBSERVATION], "recorded": NOON, "agent": [{"who": DEVICE}]},
    "Task": {
        "identifier": [IDENTIFIER],
        "status": "requested",
        "intent": "order",
        "code": code("c"),
        "for": PATIENT,
        "encounter": ENCOUNTER,
        "focus": DEVICE,
        "partOf": [TASK],
        "authoredOn": NOON,
    },
    "Composition": {
        "identifier": IDENTIFIER,
        "status": "final",
        "type": code("t"),
        "category": [code("k")],
        "subject": PATIENT,
        "encounter": ENCOUNTER,
        "date": NOON,
        "author": [DEVICE],
        "title": "Record",
        "section": [{"title": "Part", "entry": [OBSERVATION]}],
    },
    "DocumentReference": {
        "masterIdentifier": IDENTIFIER,
        "status": "current",
        "type": code("t"),
        "category": [code("k")],
        "subject": PATIENT,
        "date": NOON,
        "content": [{"attachment": {"url": "urn:example:document"}}],
        "context": {"encounter": [ENCOUNTER], "related": [PROCEDURE]},
    },
    "MeasureReport": {
        **OF_SUBJECT,
        "status": "complete",
        "type": "individual",
        "measure": "https://example.org/Measure/m",
        "date": NOON,
        "period": {"start": NOON, "end": NOON},
        "evaluatedResource": [OBSERVATION],
    },
    "AuditEvent": {
        "type": {"system": "urn:example:codes", "code": "t"},
        "subtype": [{"system": "urn:example:codes", "code": "s"}],
        "recorded": NOON,
        "agent": [{"who": DEVICE, "requestor": False}],
        "source": {"observer": DEVICE},
        "entity": [{"what": PATIENT}, {"what": OBSERVATION}],
    },
    "Bundle": {"identifier": IDENTIFIER, "type": "document", "timestamp": NOON},
}
"""One resource of each type that we make or shall make, with a value for every parameter."""

CODES = {"code": "c", "category": "k", "type": "t", "class": "c", "subtype": "s"}
CODES |= {"component-code": "part", "combo-code": "part"}
TOKENS = {name: f"urn:example:codes|{word}" for name, word in CODES.items()}
TOKENS |= {"clinical-status": f"{CLINICAL}|active", "verification-status": f"{VERIFIED}|confirmed"}
SUBJECTS = {name: "Patient/one,one" if name == "patient" else "Patient/one" for name in ("patient", "subject")}
TARGETS = {"encounter": "one", "context": "Encounter/one", "device": "Device/one", "focus": "Device/one"}
TARGETS |= {"derived-from": "Observation/one", "has-member": "Observation/one", "target": "Observation/one"}
TARGETS |= {"entry": "Observation/one", "evaluated-resource": "Observation/one", "entity": "Observation/one"}
TARGETS |= {"source": "one", "parent": "Device/one", "related": "Procedure/one"}


def _value(resource_type: str, name: str) -> str:
    resource = RESOURCES[resource_type]
    if name == "part-of":
        return "Procedure/one" if resource_type == "Observation" else f"{resource_type}/one"
    if name in SUBJECTS | TARGETS:
        return (SUBJECTS | TARGETS)[name]
    plain = resource.get(name)
    if isinstance(plain, str) and parameters_of(resource_type)[name].kind == "token":
        return plain
    return TOKENS[name]


@pytest.fixture
async def chart(tmp_path: Path) -> AsyncIterator[httpx.AsyncClient]:
    """The resources as `one`, and as `two` another of each type, of which only what R4 wants is there."""
    endpoint = create_endpoint(
        tmp_path / "e.sqlite",
        check=lambda _: [],
        clock=TickingClock(),
        make_id=random_id,
        served=frozenset(RESOURCES),
    )
    transport = httpx.ASGITransport(Starlette(routes=routes_at("/fhir", endpoint)))
    headers = {"Content-Type": "application/fhir+json"}
    entries = [
        {
            "resource": {"resourceType": name, "id": key, **body},
            "request": {"method": "PUT", "url": f"{name}/{key}"},
        }
        for name, content in RESOURCES.items()
        for key, body in (("one", content), ("two", {}))
    ]
    async with httpx.AsyncClient(transport=transport, base_url=BASE, headers=headers) as client:
        bundle = {"resourceType": "Bundle", "type": "transaction", "entry": entries}
        answer = await client.post(BASE, json=bundle)
        assert answer.status_code == 200, answer.text
        yield client
    endpoint.close()


@pytest.mark.parametrize("resource_type", sorted(RESOURCES))
async def test_each_parameter_finds_the_one_that_has_its_value(
    chart: httpx.AsyncClient, resource_type: str
) -> None:
    for name, parameter in parameters_of(resource_type).items():
        if name == "identifier":
            queries = {
                "urn:example:ids|one": True,
                "one": True,
                "|one": False,
                "urn:example:ids|": True,
                "two": False,
            }
        elif parameter.kind == "date":
            queries = {AT: True, f"ge{AT}": True, f"le{NOON}": True, f"gt{NOON}": False, f"lt{AT}": False}
            queries |= {"2031-03-03": False}
        elif parameter.kind == "reference":
            value = _value(resource_type, name)
            queries = {value: True, f"{BASE}/{value}": value.count("/") == 1, "Patient/two": False}
            if "," in value or "/" not in value:
                queries.pop(f"{BASE}/{value}")
        else:
            value = _value(resource_type, name)
            queries = {value: True, value.rpartition("|")[2]: True, f"no-code,{value}": True, "no-code": False}
            queries |= {f"urn:example:other|{value.rpartition('|')[2]}": False}
        for query, fits in queries.items():
            found = (await chart.get(resource_type, params={name: query})).json()
            assert ids_in(found) == (["one"] if fits else []), (resource_type, name, query)


@pytest.mark.parametrize("resource_type", sorted(RESOURCES))
async def test_parameters_that_are_joined_must_all_fit(chart: httpx.AsyncClient, resource_type: str) -> None:
    names = [name for name in parameters_of(resource_type) if parameters_of(resource_type)[name].kind == "date"]
    query = "&".join(["_id=one,two", *(f"{name}={AT}&{name}=ge{AT}" for name in names)])
    found = (await chart.get(f"{resource_type}?{query}")).json()
    assert ids_in(found) == (["one"] if names else ["one", "two"])
    nothing = (await chart.get(f"{resource_type}?{query}&_lastUpdated=lt2031")).json()
    assert ids_in(nothing) == []
    everything = (await chart.get(resource_type, params={"_lastUpdated": f"ge{AT}"})).json()
    assert ids_in(everything) == ["one", "two"]


async def test_a_patient_is_found_only_where_a_patient_is_meant(chart: httpx.AsyncClient) -> None:
    device = {"resourceType": "Observation", "id": "of-device", "subject": DEVICE}
    assert (await chart.put("Observation/of-device", json=device)).status_code == 201
    assert ids_in((await chart.get("Observation?patient=one")).json()) == ["one"]
    assert ids_in((await chart.get("Observation?patient=Device/one")).json()) == []
    assert ids_in((await chart.get("Observation?subject=Device/one")).json()) == ["of-device"]


def test_the_resources_are_good_ones_of_every_type_with_parameters() -> None:
    assert RESOURCES.keys() - {"Patient"} == _BY_TYPE.keys()
    for name in RESOURCES.keys() & COVERED_RESOURCES - {"Bundle"}:
        assert check_resource({"resourceType": name, "id": "one", **RESOURCES[name]}) == [], name


def test_the_page_lists_these_searches_and_no_others() -> None:
    rows = re.findall(r"^\| (\w+) \| `(.*)` \|$", PAGE.read_text(encoding="utf-8"), re.MULTILINE)
    assert {name: text.split("`, `") for name, text in rows if name in RESOURCES} == {
        name: list(parameters_of(name)) for name in RESOURCES
    }
    assert [each.name for each in EVERY_TYPE] == ["_id", "_lastUpdated"]
