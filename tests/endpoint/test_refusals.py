"""What the embedded endpoint does not do is refused by name."""

from __future__ import annotations

import io
import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import httpx
import pytest
import structlog
from starlette.applications import Starlette

from service.checking.check_resource import check_resource
from service.checking.table import COVERED_RESOURCES
from service.clock import random_id
from service.configure_logging import configure_logging
from service.endpoint.application import create_endpoint
from service.endpoint.mount_endpoint import routes_at
from service.records.finding import Finding
from tests.endpoint.conftest import BASE
from tests.endpoint.resources import expressions_in, observation, patient, transaction
from tests.support.ticking_clock import TickingClock

pytestmark = pytest.mark.anyio

FHIR = "application/fhir+json"


@pytest.mark.parametrize(
    ("request_line", "body", "headers", "status"),
    [
        ("GET Patient/none", None, {}, 404),
        ("GET Patient/none/_history", None, {}, 404),
        ("GET Dragon/1", None, {}, 404),
        ("GET Dragon", None, {}, 404),
        ("GET a/b/c/d/e", None, {}, 404),
        ("GET /", None, {}, 404),
        ("PATCH Patient/p", b"[]", {}, 405),
        ("DELETE Patient", None, {}, 405),
        ("GET Patient", None, {"Accept": "application/fhir+xml"}, 406),
        ("GET Patient?_format=xml", None, {}, 406),
        ("GET Patient", None, {"Accept": "application/fhir+json; fhirVersion=3.0"}, 406),
        ("POST Patient", b"<Patient/>", {"Content-Type": "application/fhir+xml"}, 415),
        ("POST Patient", b"{}", {"Content-Type": "text/plain"}, 415),
        ("POST Patient", b"{}", {"Content-Encoding": "gzip"}, 415),
        ("POST Patient/_search", b"_id=p", {"Content-Type": "application/x-www-form-urlencoded"}, 405),
        ("POST Patient/$validate", b'{"resourceType":"Patient"}', {}, 405),
        ("GET Patient/p/_history", None, {}, 404),
        ("GET Patient/p/_history/one", None, {}, 404),
        ("POST /", b'{"resourceType":"Bundle","type":"batch"}', {}, 400),
        ("POST /", b'{"resourceType":"Bundle","type":"transaction","entry":[{"fullUrl":[]}]}', {}, 400),
        ("POST Observation", b'{"resourceType":"Observation","valueInteger":' + b"9" * 30 + b"}", {}, 422),
        ("POST Patient", b"{not json", {}, 400),
        ("POST Patient", b'{"resourceType":"Patient","resourceType":"Patient"}', {}, 400),
        ("POST Patient", b"[]", {}, 400),
        ("POST Patient", b"\xff", {}, 400),
        ("POST Patient", b'{"resourceType":"Device"}', {}, 400),
        ("POST Patient", b'{"resourceType":"Patient","meta":3}', {}, 400),
        ("PUT Patient/p", b'{"resourceType":"Patient"}', {}, 400),
        ("PUT Patient/p", b'{"resourceType":"Patient","id":"q"}', {}, 400),
        ("PUT Patient/p_1", b'{"resourceType":"Patient","id":"p_1"}', {}, 400),
        ("PUT Patient/" + "p" * 65, b'{"resourceType":"Patient","id":"' + b"p" * 65 + b'"}', {}, 400),
        ("POST Patient", b'{"resourceType":"Patient","gender":"unicorn"}', {}, 422),
        ("POST /", b'{"resourceType":"Patient"}', {}, 400),
        ("POST /", b'{"resourceType":"Bundle","type":"message"}', {}, 400),
        ("POST /", b'{"resourceType":"Bundle","type":"transaction","entry":[1]}', {}, 400),
        ("GET Observation?date=yesterday", None, {}, 400),
        ("GET Observation?date=ap2031", None, {}, 400),
        ("GET Observation?date=ne2031", None, {}, 400),
        ("GET Observation?date=sa2031", None, {}, 400),
        ("GET Observation?date=eb2031", None, {}, 400),
        ("GET Observation?subject=p", None, {}, 400),
        ("GET Observation?subject:Patient=p", None, {}, 400),
        ("GET Observation?subject.name=x", None, {}, 400),
        ("GET Observation?_include=Observation:subject", None, {}, 400),
        ("GET Observation?_sort=code", None, {}, 400),
        ("GET Observation?_sort=_id", None, {}, 400),
        ("GET Observation?_summary=count", None, {}, 400),
        ("GET Observation?_total=none", None, {}, 400),
        ("GET Observation?colour=red", None, {}, 400),
        ("GET Observation?identifier=", None, {}, 400),
        ("GET Observation?code=,", None, {}, 400),
        ("GET Observation?code:text=x", None, {}, 400),
        ("GET Observation?_count=-1", None, {}, 400),
        ("GET Observation?_cursor=x", None, {}, 400),
        ("GET Observation?_cursor=9999999999999999999,1", None, {}, 400),
        ("GET Observation?_cursor=%C3%A4", None, {}, 400),
    ],
)
async def test_every_refusal_is_an_operation_outcome_with_the_right_status(
    fhir: httpx.AsyncClient, request_line: str, body: bytes | None, headers: dict[str, str], status: int
) -> None:
    method, url = request_line.split(" ")
    answer = await fhir.request(method, BASE if url == "/" else url, content=body, headers=headers)
    assert answer.status_code == status
    assert answer.headers["Content-Type"] == FHIR
    outcome = answer.json()
    assert check_resource(outcome) == []
    assert all(issue["severity"] == "error" and issue["details"]["text"] for issue in outcome["issue"])


@pytest.mark.parametrize("depth", [200, 300, 900, 5000])
async def test_a_body_nested_too_deeply_is_refused_not_a_failure(fhir: httpx.AsyncClient, depth: int) -> None:
    extension = b'{"url":"urn:x","extension":[' * depth + b'{"url":"urn:x","valueString":"y"}' + b"]}" * depth
    resource = b'{"resourceType":"Patient","extension":[' + extension + b"]}"
    entry_text = b'{"request":{"method":"POST","url":"Patient"},"resource":' + resource + b"}"
    bundle = b'{"resourceType":"Bundle","type":"transaction","entry":[' + entry_text + b"]}"
    for url, body in (("Patient", resource), (BASE, bundle)):
        answer = await fhir.post(url, content=body)
        assert answer.status_code in {400, 422}
        assert answer.json()["resourceType"] == "OperationOutcome"


async def test_405_names_all_methods_of_the_address(fhir: httpx.AsyncClient) -> None:
    answer = await fhir.patch("Patient/p", content=b"")
    assert set(answer.headers["Allow"].split(", ")) == {"GET", "HEAD", "PUT", "DELETE"}


@pytest.mark.parametrize(
    "media_type",
    [FHIR, "application/json", f"{FHIR}; charset=utf-8", f"{FHIR}; fhirVersion=4.0", "application/x+json"],
)
async def test_all_ways_to_say_json_are_taken(fhir: httpx.AsyncClient, media_type: str) -> None:
    headers = {"Content-Type": media_type, "Accept": media_type}
    assert (await fhir.post("Patient", json=patient(), headers=headers)).status_code == 201


async def test_accept_may_name_json_beside_others(fhir: httpx.AsyncClient) -> None:
    accept = "application/fhir+xml;q=0.9, application/fhir+json;q=0.8"
    assert (await fhir.get("Patient?_pretty=true", headers={"Accept": accept})).status_code == 200
    for format_ in ("json", "application/json", "application/fhir+json"):
        assert (await fhir.get(f"Patient?_format={format_}", headers={"Accept": "text/xml"})).status_code == 200


async def test_all_findings_come_at_once_each_as_an_issue(fhir: httpx.AsyncClient) -> None:
    broken = {"resourceType": "Observation", "valueQuantity": {"value": "many"}, "colour": "red"}
    refused = await fhir.post("Observation", json=broken)
    assert refused.status_code == 422
    assert {"Observation.code", "Observation.status", "Observation.colour"} <= set(expressions_in(refused.json()))


async def test_a_body_beyond_the_limit_is_refused_announced_or_not(fhir: httpx.AsyncClient) -> None:
    large = patient(text={"status": "generated", "div": "x" * 200_000})
    assert (await fhir.post("Patient", json=large)).status_code == 413
    chunks = [b'{"resourceType":"Patient"' + b" " * 100_000, b" " * 200_000, b"}"]

    async def stream() -> Any:
        for chunk in chunks:
            yield chunk

    assert (await fhir.post("Patient", content=stream())).status_code == 413


@pytest.fixture
def log() -> Iterator[io.StringIO]:
    stream = io.StringIO()
    configure_logging(stream)
    yield stream
    structlog.reset_defaults()


async def test_a_failure_inside_is_answered_and_logged_without_its_cause(tmp_path: Path, log: io.StringIO) -> None:
    def fail(resource: Mapping[str, Any]) -> list[Finding]:
        raise KeyError(resource["code"]["text"])

    endpoint = create_endpoint(
        tmp_path / "e.sqlite",
        check=fail,
        clock=TickingClock(),
        make_id=random_id,
        served=frozenset(COVERED_RESOURCES),
    )
    transport = httpx.ASGITransport(Starlette(routes=routes_at("/fhir", endpoint)))
    async with httpx.AsyncClient(transport=transport, base_url=BASE, headers={"Content-Type": FHIR}) as client:
        single = await client.post("Observation", json=observation(code={"text": "secret"}))
        bundled = await client.post(
            BASE,
            json=transaction(
                {
                    "request": {"method": "POST", "url": "Observation"},
                    "resource": observation(code={"text": "secret"}),
                }
            ),
        )
    endpoint.close()
    for answer in (single, bundled):
        assert answer.status_code == 500
        assert answer.json()["issue"][0]["code"] == "exception"
        assert "secret" not in answer.text
    lines = [json.loads(line) for line in log.getvalue().splitlines()]
    assert [(line["event"], line["error"], line["resource_type"]) for line in lines] == [
        ("endpoint_fault", "KeyError", "Observation"),
        ("endpoint_fault", "KeyError", None),
    ]
    assert all(line["file"].endswith(__file__.rpartition("/")[2]) for line in lines)
    assert "secret" not in log.getvalue()
