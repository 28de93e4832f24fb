"""The embedded endpoint reads, creates, updates and deletes as R4 says."""

from __future__ import annotations

from pathlib import Path

import httpx
import pytest
from starlette.applications import Starlette

from service.checking.check_resource import check_resource
from service.checking.table import COVERED_RESOURCES
from service.clock import random_id
from service.endpoint.application import Endpoint, create_endpoint
from service.endpoint.mount_endpoint import routes_at
from service.exact_json import read_json
from tests.endpoint.conftest import BASE
from tests.endpoint.resources import PATIENTS, expressions_in, ids_in, observation, patient
from tests.support.ticking_clock import TickingClock

pytestmark = pytest.mark.anyio


async def test_what_was_created_is_read_back_under_its_location(fhir: httpx.AsyncClient) -> None:
    created = await fhir.post("Patient", json=patient(active=True))
    assert created.status_code == 201
    location = created.headers["Location"]
    assert location.startswith(f"{BASE}/Patient/")
    assert location.endswith("/_history/1")
    assert created.headers["ETag"] == 'W/"1"'
    assert created.headers["Last-Modified"] == "Sun, 02 Mar 2031 09:17:44 GMT"
    read = await fhir.get(location)
    assert read.json()["active"] is True
    assert read.json()["meta"] == {"versionId": "1", "lastUpdated": "2031-03-02T09:17:44.000Z"}


async def test_a_create_ignores_the_clients_id_and_keeps_its_tags(fhir: httpx.AsyncClient) -> None:
    meta = {"tag": [{"system": "urn:example:tags", "code": "t"}], "versionId": "77"}
    created = (await fhir.post("Patient", json=patient("mine", meta=meta))).json()
    assert created["id"] != "mine"
    assert created["meta"]["tag"] == meta["tag"]
    assert created["meta"]["versionId"] == "1"


async def test_an_update_creates_then_makes_versions_that_stay_readable(fhir: httpx.AsyncClient) -> None:
    first = await fhir.put("Patient/p", json=patient("p", active=True))
    second = await fhir.put("Patient/p", json=patient("p", active=False))
    assert (first.status_code, second.status_code) == (201, 200)
    assert second.headers["ETag"] == 'W/"2"'
    assert (await fhir.get("Patient/p/_history/1")).json()["active"] is True
    assert (await fhir.get("Patient/p/_history/2")).json()["active"] is False
    assert (await fhir.get("Patient/p/_history/3")).status_code == 404


async def test_an_update_with_equal_content_makes_no_version(fhir: httpx.AsyncClient) -> None:
    first = await fhir.put("Patient/p", json=patient("p", active=True, gender="other"))
    again = await fhir.put("Patient/p", json=patient("p", gender="other", active=True))
    assert again.status_code == 200
    assert again.content == first.content
    assert (await fhir.get("Patient/p/_history/2")).status_code == 404
    # What the endpoint answered may be sent back unchanged.
    echo = await fhir.put("Patient/p", json=first.json())
    assert echo.headers["ETag"] == 'W/"1"'


async def test_digits_survive_and_another_precision_is_another_content(fhir: httpx.AsyncClient) -> None:
    def body(digits: str) -> bytes:
        return (
            b'{"resourceType":"Observation","id":"o","status":"final","code":{"text":"x"},"valueQuantity":'
            b'{"value":' + digits.encode() + b',"unit":"mV"}}'
        )

    for version, digits in enumerate(["1.50", "1.5", "1.5E0", "0.10000000000000000000001"], start=1):
        written = await fhir.put("Observation/o", content=body(digits))
        assert f'"value":{digits},'.encode() in written.content
        assert f'"value":{digits},'.encode() in (await fhir.get("Observation/o")).content
        assert written.headers["ETag"] == f'W/"{version}"'
    searched = (await fhir.get("Observation?_id=o")).content
    assert b'"value":0.10000000000000000000001,' in searched


async def test_what_was_deleted_is_gone_but_its_versions_stay(fhir: httpx.AsyncClient) -> None:
    await fhir.put("Patient/p", json=patient("p"))
    assert (await fhir.delete("Patient/p")).status_code == 204
    assert (await fhir.delete("Patient/p")).status_code == 204
    assert (await fhir.get("Patient/p")).status_code == 410
    assert (await fhir.get("Patient/p/_history/1")).status_code == 200
    assert (await fhir.get("Patient/p/_history/2")).status_code == 410
    assert (await fhir.get(f"Patient?identifier={PATIENTS}|P-100")).json()["total"] == 0
    back = await fhir.put("Patient/p", json=patient("p"))
    assert (back.status_code, back.headers["ETag"]) == (201, 'W/"3"')


async def test_nothing_is_deleted_that_something_refers_to(fhir: httpx.AsyncClient) -> None:
    await fhir.put("Patient/p", json=patient("p"))
    await fhir.put("Observation/o", json=observation("o", subject="Patient/p"))
    assert (await fhir.delete("Patient/p")).status_code == 409
    await fhir.delete("Observation/o")
    assert (await fhir.delete("Patient/p")).status_code == 204


@pytest.mark.parametrize(
    "reference",
    [
        "Patient/none",
        "Patient/none/_history/1",
        f"{BASE}/Patient/none",
        "urn:uuid:8f3c0c58-5a3e-4d0a-9f61-0a3d0c9e1a11",
    ],
)
async def test_a_reference_to_nothing_is_refused_with_its_place(fhir: httpx.AsyncClient, reference: str) -> None:
    refused = await fhir.post("Observation", json=observation(subject=reference))
    assert refused.status_code == 422
    assert expressions_in(refused.json()) == ["Observation.subject.reference"]
    assert (await fhir.get("Observation")).json()["total"] == 0


async def test_references_elsewhere_and_to_oneself_are_taken(fhir: httpx.AsyncClient) -> None:
    elsewhere = observation("a", subject="https://other.example/fhir/Patient/1")
    assert (await fhir.put("Observation/a", json=elsewhere)).status_code == 201
    own = observation("b", hasMember=[{"reference": "Observation/a"}, {"reference": f"{BASE}/Observation/a"}])
    assert (await fhir.put("Observation/b", json=own)).status_code == 201
    self_link = patient("s", link=[{"other": {"reference": "Patient/s"}, "type": "seealso"}])
    assert (await fhir.put("Patient/s", json=self_link)).status_code == 201


async def test_a_create_with_if_none_exist_finds_creates_or_refuses(fhir: httpx.AsyncClient) -> None:
    condition = {"If-None-Exist": f"identifier={PATIENTS}|P-1"}
    first = await fhir.post("Patient", json=patient(identifier="P-1"), headers=condition)
    again = await fhir.post("Patient", json=patient(identifier="P-1", active=True), headers=condition)
    assert (first.status_code, again.status_code) == (201, 200)
    assert again.json() == first.json()
    assert again.headers["Location"] == first.headers["Location"]
    await fhir.post("Patient", json=patient(identifier="P-1"))
    several = await fhir.post("Patient", json=patient(identifier="P-1"), headers=condition)
    assert several.status_code == 412


async def test_an_update_by_condition_creates_updates_or_refuses(fhir: httpx.AsyncClient) -> None:
    url = f"Patient?identifier={PATIENTS}|P-1"
    created = await fhir.put(url, json=patient(identifier="P-1"))
    updated = await fhir.put(url, json=patient(identifier="P-1", active=True))
    assert (created.status_code, updated.status_code) == (201, 200)
    assert updated.json()["id"] == created.json()["id"]
    assert updated.headers["ETag"] == 'W/"2"'
    wrong_id = await fhir.put(url, json=patient("other", identifier="P-1"))
    assert wrong_id.status_code == 400
    named = await fhir.put(f"Patient?identifier={PATIENTS}|P-2", json=patient("mine", identifier="P-2"))
    assert (named.status_code, named.json()["id"]) == (201, "mine")
    await fhir.post("Patient", json=patient(identifier="P-1"))
    assert (await fhir.put(url, json=patient(identifier="P-1"))).status_code == 412


@pytest.mark.parametrize("condition", ["colour=red", "identifier=P-1&colour=red", "_count=1", "", "identifier="])
async def test_a_condition_that_is_not_understood_whole_is_refused(fhir: httpx.AsyncClient, condition: str) -> None:
    headers = {"If-None-Exist": condition}
    assert (await fhir.post("Patient", json=patient(), headers=headers)).status_code == 400
    assert (await fhir.put(f"Patient?{condition}", json=patient())).status_code == 400
    assert (await fhir.get("Patient")).json()["total"] == 0


@pytest.mark.parametrize("name", ["If-Match", "If-None-Match"])
async def test_a_write_that_names_a_version_is_refused_since_none_is_looked_at(
    fhir: httpx.AsyncClient, name: str
) -> None:
    await fhir.put("Patient/p", json=patient("p"))
    headers = {name: 'W/"1"'}
    refused = [
        await fhir.put("Patient/p", json=patient("p", active=True), headers=headers),
        await fhir.post("Patient", json=patient(), headers=headers),
        await fhir.delete("Patient/p", headers=headers),
    ]
    assert [answer.status_code for answer in refused] == [400] * 3
    assert all(name in answer.text for answer in refused)
    assert (await fhir.get("Patient/p")).json()["meta"]["versionId"] == "1"


async def test_the_capability_statement_passes_the_check_and_says_what_it_is(fhir: httpx.AsyncClient) -> None:
    statement = (await fhir.get("metadata")).json()
    assert check_resource(statement) == []
    assert "not for patient data" in statement["implementation"]["description"]
    assert statement["implementation"]["url"] == BASE
    assert {item["code"] for item in statement["rest"][0]["interaction"]} == {"transaction"}
    for resource in statement["rest"][0]["resource"]:
        assert resource["updateCreate"] is True
        assert resource["referencePolicy"] == ["literal", "enforced"]


async def test_every_search_parameter_that_is_declared_is_understood(fhir: httpx.AsyncClient) -> None:
    samples = {"token": "urn:x|a", "reference": "Patient/p", "date": "ge2031-03-02"}
    tried = 0
    for resource in (await fhir.get("metadata")).json()["rest"][0]["resource"]:
        for parameter in resource.get("searchParam", []):
            url = f"{resource['type']}?{parameter['name']}={samples[parameter['type']]}"
            answer = await fhir.get(url)
            assert answer.status_code == 200, url
            tried += 1
    assert tried > 90


async def test_a_browser_sees_the_banner_and_the_counts(fhir: httpx.AsyncClient) -> None:
    await fhir.put("Patient/p", json=patient("p"))
    for url in (BASE, f"{BASE}/"):
        page = await fhir.get(url, headers={"Accept": "text/html,application/xhtml+xml,*/*;q=0.8"})
        assert page.status_code == 200
        assert "not for patient data" in page.text
        assert f'<a href="{BASE}/Patient">Patient</a></td><td>1</td>' in page.text
        assert f'href="{BASE}/metadata"' in page.text


async def test_what_was_answered_is_there_after_the_store_is_opened_anew(
    fhir: httpx.AsyncClient, endpoint: Endpoint, store_path: Path
) -> None:
    written = await fhir.put("Patient/p", json=patient("p"))
    endpoint.close()
    again = create_endpoint(
        store_path,
        check=check_resource,
        clock=TickingClock(),
        make_id=random_id,
        served=frozenset(COVERED_RESOURCES),
    )
    application = Starlette(routes=routes_at("/other", again))
    async with httpx.AsyncClient(
        transport=httpx.ASGITransport(application), base_url="http://endpoint.test/other"
    ) as client:
        read = await client.get("Patient/p")
        found = (await client.get(f"Patient?identifier={PATIENTS}|P-100")).json()
    again.close()
    assert read.content == written.content
    assert ids_in(found) == ["p"]
    assert found["entry"][0]["fullUrl"] == "http://endpoint.test/other/Patient/p"
    assert read_json(read.content)["id"] == "p"
