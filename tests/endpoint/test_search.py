"""Searches of the embedded endpoint find what they ask for, and nothing else."""

from __future__ import annotations

import itertools

import httpx
import pytest

from service.checking.check_resource import check_resource
from tests.endpoint.conftest import BASE
from tests.endpoint.resources import EVENTS, Json, ids_in, observation, patient

pytestmark = pytest.mark.anyio

LOINC = "http://loinc.org"


async def found(fhir: httpx.AsyncClient, url: str) -> list[str]:
    answer = await fhir.get(url)
    assert answer.status_code == 200, answer.text
    body: Json = answer.json()
    assert check_resource(body) == []
    assert body["total"] == len(ids_in(body))
    return ids_in(body)


def link(searchset: Json, relation: str) -> str | None:
    return next((item["url"] for item in searchset["link"] if item["relation"] == relation), None)


@pytest.fixture
async def filled(fhir: httpx.AsyncClient) -> httpx.AsyncClient:
    """Two patients, and observations a to d of them."""
    resources: list[Json] = [
        patient("p", identifier="P-1"),
        patient("q", identifier="P-2"),
        {"resourceType": "Device", "id": "d", "type": {"coding": [{"system": "urn:x", "code": "defibrillator"}]}},
        {
            "resourceType": "Procedure",
            "id": "parent",
            "status": "completed",
            "subject": {"reference": "Patient/p"},
            "performedPeriod": {"start": "2031-03-02T10:00:00+01:00"},
        },
        observation(
            "a",
            subject="Patient/p",
            identifier=[{"system": EVENTS, "value": "e|1"}, {"value": "bare"}],
            effectiveDateTime="2031-03-02T10:00:00+01:00",
            partOf=[{"reference": "Procedure/parent"}],
        ),
        observation(
            "b",
            subject="Patient/p",
            status="amended",
            device={"reference": "Device/d"},
            effectivePeriod={"start": "2031-03-02", "end": "2031-03-04"},
        ),
        observation(
            "c",
            subject="Patient/q",
            code={"coding": [{"system": LOINC, "code": "1"}, {"system": "urn:x", "code": "8867-4"}]},
            effectiveDateTime="2031",
        ),
        observation("d", subject="Device/d", code={"text": "x"}),
        {
            "resourceType": "MedicationAdministration",
            "id": "m",
            "status": "completed",
            "subject": {"reference": "Patient/p"},
            "medicationCodeableConcept": {"coding": [{"system": "urn:agents", "code": "epinephrine"}]},
            "effectiveDateTime": "2031-03-02T10:05:00+01:00",
        },
        {
            "resourceType": "Provenance",
            "id": "v",
            "recorded": "2031-03-02T10:06:00.250+01:00",
            "target": [{"reference": "Observation/a"}, {"reference": "Patient/p"}],
            "agent": [{"who": {"reference": "Device/d"}}],
        },
    ]
    for resource in resources:
        answer = await fhir.put(f"{resource['resourceType']}/{resource['id']}", json=resource)
        assert answer.status_code == 201, answer.text
    return fhir


@pytest.mark.parametrize(
    ("query", "ids"),
    [
        ("", "abcd"),
        ("_id=a,c,none", "ac"),
        (f"identifier={EVENTS}|e\\|1", "a"),
        ("identifier=e\\|1", "a"),
        ("identifier=|bare", "a"),
        ("identifier=|e\\|1", ""),
        (f"identifier={EVENTS}|", "a"),
        ("identifier=E\\|1", ""),
        ("subject=Patient/p", "ab"),
        ("subject=Device/d", "d"),
        ("subject=Patient/d", ""),
        ("subject=Patient/p,Device/d", "abd"),
        (f"subject={BASE}/Patient/p", "ab"),
        ("patient=p", "ab"),
        ("patient=Patient/p,Patient/q", "abc"),
        ("patient=d", ""),
        ("patient=Device/d", ""),
        (f"code={LOINC}|8867-4", "ab"),
        ("code=8867-4", "abc"),
        ("code=|8867-4", ""),
        (f"code={LOINC}|", "abc"),
        ("code=urn:x|8867-4&code=urn:y|8867-4", ""),
        (f"code=urn:x|8867-4&code={LOINC}|1", "c"),
        ("code=8867-4&patient=p&status=amended", "b"),
        ("part-of=Procedure/parent", "a"),
        ("part-of=Procedure/parent&subject=Patient/q", ""),
        ("device=Device/d", "b"),
        ("date=2031-03-02", "a"),
        ("date=2031", "abc"),
        ("date=gt2031-03-02", "bc"),
        ("date=lt2031-03-02", "c"),
        ("date=ge2031-03-02T09:00:00Z", "abc"),
        ("date=eq2031-03-02", "a"),
        ("date=2030,2031", "abc"),
        ("date=le2031-03-04", "abc"),
        ("date=2031-03-02T10:00:00%2B01:00", "a"),
        ("date=2031-03-02T10:00:00+01:00", "a"),
        ("date=2031-03-02T09:00Z", "a"),
        ("date=ge2031-03-02&date=lt2031-03-05", "abc"),
        ("_lastUpdated=ge2031-03-02T09:17:43Z", "abcd"),
        ("_lastUpdated=lt2031-03-02T09:17:43Z", ""),
    ],
)
async def test_a_search_finds_exactly_what_fits(filled: httpx.AsyncClient, query: str, ids: str) -> None:
    assert "".join(await found(filled, f"Observation?{query}")) == ids


@pytest.mark.parametrize(
    ("query", "ids"),
    [
        ("Procedure?date=2031-03-02", []),
        ("Procedure?date=ge2031-03-02", ["parent"]),
        ("Procedure?date=ge2040", ["parent"]),
        ("MedicationAdministration?code=urn:agents|epinephrine", ["m"]),
        ("MedicationAdministration?effective-time=2031-03-02", ["m"]),
        ("Provenance?target=Observation/a", ["v"]),
        ("Provenance?target=Observation/a,Device/d", ["v"]),
        ("Provenance?target=Observation/b", []),
        ("Provenance?patient=p", ["v"]),
        ("Provenance?recorded=2031-03-02T09:06:00.25Z", ["v"]),
        ("Provenance?recorded=2031-03-02T09:06:00.251Z", []),
        ("Device?type=defibrillator", ["d"]),
        ("Task", []),
    ],
)
async def test_each_type_is_searched_by_its_own_elements(
    filled: httpx.AsyncClient, query: str, ids: list[str]
) -> None:
    assert await found(filled, query) == ids


@pytest.mark.parametrize(
    ("sort", "ids"),
    [
        ("date", "cbad"),
        ("-date", "abcd"),
        ("_lastUpdated", "abcd"),
        ("-_lastUpdated", "dcba"),
    ],
)
async def test_sorted_pages_join_to_the_sorted_whole(filled: httpx.AsyncClient, sort: str, ids: str) -> None:
    assert "".join(await found(filled, f"Observation?_sort={sort}")) == ids
    for count in (1, 2, 3):
        url: str | None = f"{BASE}/Observation?_sort={sort}&_count={count}"
        pages: list[str] = []
        while url and len(pages) < 10:
            body = (await filled.get(url)).json()
            assert body["total"] == 4
            pages.append("".join(ids_in(body)))
            url = link(body, "next")
        assert "".join(pages) == ids
        assert [len(page) for page in pages[:-1]] == [count] * (len(pages) - 1)


async def test_pages_do_not_shift_when_others_write_between_them(fhir: httpx.AsyncClient) -> None:
    """At each page resources are added everywhere and changed; what was there at first comes exactly once."""
    numbers = itertools.count()

    async def add(minute: int) -> str:
        name = f"o{next(numbers)}"
        body = observation(name, effectiveDateTime=f"2031-03-02T10:{minute:02}:00Z")
        assert (await fhir.put(f"Observation/{name}", json=body)).status_code == 201
        return name

    for sort in ("", "&_sort=date", "&_sort=-date"):
        for minute in (5, 30, 30, 30, 45, 50, 55):
            await add(minute)
        at_first = await found(fhir, "Observation?_count=1000")
        seen: list[str] = []
        url: str | None = f"Observation?_count=2{sort}"
        while url and len(seen) < 500:
            body = (await fhir.get(url)).json()
            seen += ids_in(body)
            url = link(body, "next")
            if len(seen) < 20:
                for minute in (1, 30, 59):
                    await add(minute)
                first = observation(
                    at_first[0],
                    effectiveDateTime="2031-03-02T10:05:00Z",
                    issued=f"2031-03-02T10:{len(seen):02}:00Z",
                )
                await fhir.put(f"Observation/{at_first[0]}", json=first)
        assert len(seen) == len(set(seen))
        assert set(at_first) <= set(seen)


async def test_count_zero_answers_the_total_alone(filled: httpx.AsyncClient) -> None:
    body = (await filled.get("Observation?_count=0&_total=accurate")).json()
    assert body["total"] == 4
    assert "entry" not in body
    assert link(body, "next") is None


async def test_a_page_of_large_resources_ends_early_and_nothing_is_left_out(fhir: httpx.AsyncClient) -> None:
    names = [f"o{number:03}" for number in range(100)]
    for name in names:
        large = observation(name, effectiveDateTime="2031-03-02", note=[{"text": "x" * 190_000}])
        assert (await fhir.put(f"Observation/{name}", json=large)).status_code == 201
    pages: list[list[str]] = []
    url: str | None = "Observation?_sort=date&_count=1000"
    while url and len(pages) < 10:
        answer = await fhir.get(url)
        assert len(answer.content) < 17 * 1024 * 1024
        pages.append(ids_in(answer.json()))
        url = link(answer.json(), "next")
    assert [name for page in pages for name in page] == names
    assert len(pages) == 2


async def test_a_changed_resource_is_found_by_what_it_says_now(filled: httpx.AsyncClient) -> None:
    await filled.put("Observation/a", json=observation("a", subject="Patient/q", effectiveDateTime="2030-01-01"))
    assert await found(filled, "Observation?subject=Patient/p") == ["b"]
    assert await found(filled, "Observation?identifier=bare") == []
    assert await found(filled, "Observation?date=2030") == ["a"]
    assert await found(filled, "Observation?date=2031-03-02") == []
