from __future__ import annotations

import asyncio
import random
import sqlite3
from pathlib import Path
from typing import Any

import httpx
import pytest

from service.checking.check_resource import check_resource
from tests.endpoint.conftest import BASE
from tests.endpoint.resources import (
    EVENTS,
    PATIENTS,
    Json,
    batch,
    entry,
    expressions_in,
    ids_in,
    observation,
    patient,
    transaction,
)

pytestmark = pytest.mark.anyio

FIRST = "urn:uuid:0b6e4f0e-3a5f-4b52-9d4e-2f7a3f1c0001"
SECOND = "urn:uuid:0b6e4f0e-3a5f-4b52-9d4e-2f7a3f1c0002"
THIRD = "urn:uuid:0b6e4f0e-3a5f-4b52-9d4e-2f7a3f1c0003"
P1 = f"identifier={PATIENTS}|P-1"


async def send(fhir: httpx.AsyncClient, bundle: Json, **headers: str) -> tuple[int, Json]:
    answer = await fhir.post(BASE, json=bundle, headers=headers)
    body: Json = answer.json()
    assert check_resource(body) == []
    return answer.status_code, body


async def read(fhir: httpx.AsyncClient, location: str) -> Json:
    answer = await fhir.get(location)
    assert answer.status_code == 200
    body: Json = answer.json()
    return body


def responses(body: Json) -> list[Json]:
    return [item["response"] for item in body["entry"]]


def statuses(body: Json) -> list[str]:
    return [response["status"][:3] for response in responses(body)]


def target_of(response: Json) -> str:
    location: str = response["location"]
    return location.partition("/_history/")[0]


def everything_in(store_path: Path) -> list[list[Any]]:
    connection = sqlite3.connect(store_path)
    tables = ("resource", "version", "token_index", "reference_index", "date_index")
    rows = [connection.execute(f"SELECT * FROM {table} ORDER BY 1, 2, 3, 4").fetchall() for table in tables]  # noqa: S608 - the names stand above.
    connection.close()
    return rows


async def test_forward_references_lead_to_what_was_made(fhir: httpx.AsyncClient) -> None:
    narrative = f'<div xmlns="http://www.w3.org/1999/xhtml"><a href="{SECOND}">patient</a> {SECOND}</div>'
    first = observation(
        subject=SECOND,
        identifier=[{"system": "urn:ietf:rfc:3986", "value": SECOND}],
        text={"status": "generated", "div": narrative},
    )
    status, body = await send(
        fhir,
        transaction(
            entry("POST", "Observation", first, full_url=FIRST),
            entry(
                "POST",
                "Patient",
                patient(link=[{"other": {"reference": SECOND}, "type": "seealso"}]),
                full_url=SECOND,
            ),
        ),
    )
    assert status == 200
    assert body["type"] == "transaction-response"
    assert statuses(body) == ["201", "201"]
    made, person = (target_of(response) for response in responses(body))
    stored = await read(fhir, made)
    assert stored["subject"]["reference"] == person
    assert f'href="{person}"' in stored["text"]["div"]
    # An identifier is a name, not a link, and text is text.
    assert stored["identifier"][0]["value"] == SECOND
    assert f"</a> {SECOND}<" in stored["text"]["div"]
    assert (await read(fhir, person))["link"][0]["other"]["reference"] == person
    assert ids_in((await fhir.get(f"Observation?patient={person}")).json()) == [stored["id"]]


async def test_updates_are_linked_by_their_full_url_and_by_their_id(fhir: httpx.AsyncClient) -> None:
    _, body = await send(
        fhir,
        transaction(
            entry("PUT", "Observation/a", observation("a", subject=FIRST)),
            entry("PUT", "Observation/b", observation("b", subject="Patient/p")),
            entry("PUT", "Patient/p", patient("p"), full_url=FIRST),
        ),
    )
    assert statuses(body) == ["201", "201", "201"]
    assert responses(body)[0]["etag"] == 'W/"1"'
    assert (await read(fhir, "Observation/a"))["subject"]["reference"] == "Patient/p"


async def test_a_created_resource_is_linked_by_its_old_rest_address(fhir: httpx.AsyncClient) -> None:
    old = "https://old.example/fhir/Patient/7"
    _, body = await send(
        fhir,
        transaction(
            entry("POST", "Observation", observation(subject="Patient/7")),
            entry("POST", "Observation", observation(subject=old)),
            entry("POST", "Patient", patient("7"), full_url=old),
        ),
    )
    person = target_of(responses(body)[2])
    for response in responses(body)[:2]:
        assert (await read(fhir, target_of(response)))["subject"]["reference"] == person


async def test_a_conditional_creation_is_linked_whether_it_creates_or_finds(fhir: httpx.AsyncClient) -> None:
    bundle = transaction(
        entry("POST", "Observation", observation(subject=FIRST), full_url=SECOND),
        entry("POST", "Patient", patient(identifier="P-1"), full_url=FIRST, ifNoneExist=P1),
    )
    _, created = await send(fhir, bundle)
    _, found = await send(fhir, bundle)
    assert (statuses(created), statuses(found)) == (["201", "201"], ["201", "200"])
    assert responses(created)[1]["location"] == responses(found)[1]["location"]
    person = target_of(responses(created)[1])
    for body in (created, found):
        assert (await read(fhir, target_of(responses(body)[0])))["subject"]["reference"] == person


async def test_the_same_condition_twice_in_one_bundle_creates_one(fhir: httpx.AsyncClient) -> None:
    _, body = await send(
        fhir,
        transaction(
            entry("POST", "Patient", patient(identifier="P-1"), full_url=FIRST, ifNoneExist=P1),
            entry("POST", "Patient", patient(identifier="P-1"), full_url=SECOND, ifNoneExist=P1),
            entry("POST", "Observation", observation(subject=SECOND), full_url=THIRD),
        ),
    )
    assert statuses(body) == ["201", "200", "201"]
    person = target_of(responses(body)[0])
    assert target_of(responses(body)[1]) == person
    assert (await read(fhir, target_of(responses(body)[2])))["subject"]["reference"] == person
    assert (await fhir.get(f"Patient?{P1}")).json()["total"] == 1


async def test_conditions_see_resources_of_their_bundle_that_wait_for_links(fhir: httpx.AsyncClient) -> None:
    """The first two refer to each other's outcome: neither can be written before both conditions are decided."""

    def linked(name: str, other: str) -> Json:
        return observation(identifier=[{"system": EVENTS, "value": name}], hasMember=[{"reference": other}])

    condition = f"identifier={EVENTS}|"
    bundle = transaction(
        entry("POST", "Observation", linked("a", SECOND), full_url=FIRST, ifNoneExist=f"{condition}a"),
        entry("POST", "Observation", linked("b", FIRST), full_url=SECOND, ifNoneExist=f"{condition}b"),
        entry("POST", "Observation", linked("a", SECOND), full_url=THIRD, ifNoneExist=f"{condition}a"),
    )
    _, body = await send(fhir, bundle)
    assert statuses(body) == ["201", "201", "200"]
    a, b = (target_of(response) for response in responses(body)[:2])
    assert (await read(fhir, a))["hasMember"] == [{"reference": b}]
    assert (await read(fhir, b))["hasMember"] == [{"reference": a}]
    assert ids_in((await fhir.get(f"Observation?has-member={a}")).json()) == [b.partition("/")[2]]
    _, again = await send(fhir, bundle)
    assert statuses(again) == ["200", "200", "200"]


async def test_conditional_references_are_resolved_after_all_writes(fhir: httpx.AsyncClient) -> None:
    status, body = await send(
        fhir,
        transaction(
            entry("POST", "Observation", observation(subject=f"Patient?{P1}")),
            entry("POST", "Patient", patient(identifier="P-1")),
        ),
    )
    assert status == 200
    assert (await read(fhir, target_of(responses(body)[0])))["subject"]["reference"] == target_of(
        responses(body)[1]
    )


@pytest.mark.parametrize("hits", [0, 2])
async def test_a_conditional_reference_without_exactly_one_hit_fails_all(
    fhir: httpx.AsyncClient, store_path: Path, hits: int
) -> None:
    for _ in range(hits):
        await fhir.post("Patient", json=patient(identifier="P-1"))
    before = everything_in(store_path)
    status, body = await send(
        fhir,
        transaction(
            entry("PUT", "Device/d", {"resourceType": "Device", "id": "d"}),
            entry("POST", "Observation", observation(subject=f"Patient?{P1}")),
        ),
    )
    assert status == 412
    assert expressions_in(body) == ["Bundle.entry[1].resource.subject.reference"]
    assert everything_in(store_path) == before


async def test_conditional_updates_in_a_bundle_create_and_update(fhir: httpx.AsyncClient) -> None:
    bundle = transaction(
        entry("POST", "Observation", observation(subject=FIRST)),
        entry("PUT", f"Patient?{P1}", patient(identifier="P-1"), full_url=FIRST),
    )
    _, created = await send(fhir, bundle)
    _, same = await send(fhir, bundle)
    assert (statuses(created), statuses(same)) == (["201", "201"], ["201", "200"])
    assert responses(created)[1] == {**responses(same)[1], "status": "201 Created"}
    assert (await read(fhir, target_of(responses(same)[0])))["subject"]["reference"] == target_of(
        responses(same)[1]
    )


async def test_entries_are_carried_out_in_the_order_of_r4_and_answered_in_their_own(
    fhir: httpx.AsyncClient,
) -> None:
    await fhir.put("Patient/old", json=patient("old", identifier="P-1"))
    _, body = await send(
        fhir,
        transaction(
            entry("GET", f"Patient?{P1}"),
            entry("GET", "Patient/new"),
            entry("PUT", "Patient/new", patient("new", identifier="P-1")),
            entry("POST", "Patient", patient(identifier="P-1"), ifNoneExist=P1),
            entry("DELETE", "Patient/old"),
        ),
    )
    assert statuses(body) == ["200", "200", "201", "201", "204"]
    assert body["entry"][0]["resource"]["total"] == 2
    assert body["entry"][1]["resource"]["id"] == "new"
    assert (await fhir.get("Patient/old")).status_code == 410


async def test_prefer_representation_returns_the_resources_with_their_digits(fhir: httpx.AsyncClient) -> None:
    bundle = (
        b'{"resourceType":"Bundle","type":"transaction","entry":[{"request":{"method":"PUT","url":"Observation/o"},'
    )
    bundle += (
        b'"resource":{"resourceType":"Observation","id":"o","status":"final","code":{"text":"x"},"valueQuantity":'
    )
    bundle += b'{"value":1.50}}}]}'
    full = await fhir.post(BASE, content=bundle, headers={"Prefer": "return=representation"})
    assert b'"value":1.50}' in full.content
    assert b'"value":1.50}' in (await fhir.get("Observation/o")).content
    plain = await fhir.post(BASE, content=bundle)
    assert "resource" not in plain.json()["entry"][0]
    assert responses(plain.json())[0]["etag"] == 'W/"1"'


@pytest.mark.parametrize(
    ("bad", "status", "place"),
    [
        (entry("POST", "Observation", {"resourceType": "Observation", "status": "final"}), 422, ".resource.code"),
        (entry("POST", "Observation", observation(subject="Patient/none")), 422, ".resource.subject.reference"),
        (entry("POST", "Observation", observation(subject=THIRD)), 422, ".resource.subject.reference"),
        (entry("PUT", "Patient/known", patient("known"), ifMatch='W/"7"'), 412, ""),
        (entry("PUT", "Patient/known", patient("known"), ifNoneMatch="*"), 412, ""),
        (entry("PUT", "Patient/x", patient("y")), 400, ".resource.id"),
        (entry("PUT", "Patient/x", observation("x")), 400, ".resource.resourceType"),
        (entry("POST", "Patient", patient(), ifNoneExist="colour=red"), 400, ""),
        (entry("PUT", "Patient?colour=red", patient()), 400, ""),
        (entry("PUT", f"Patient?identifier={PATIENTS}|twin", patient()), 412, ""),
        (entry("DELETE", "Patient/known"), 409, ""),
        (entry("DELETE", f"Patient?{P1}"), 400, ""),
        (entry("PATCH", "Patient/known", patient("known")), 400, ""),
        (entry("POST", "Dragon", {"resourceType": "Dragon"}), 404, ""),
        (entry("GET", "Patient/none"), 404, ""),
        (entry("PUT", "Patient/first", patient("first", active=True)), 400, ""),
        (entry("POST", "Patient"), 400, ""),
        ({"resource": patient()}, 400, ""),
    ],
)
async def test_one_bad_entry_leaves_nothing_and_is_named(
    fhir: httpx.AsyncClient, store_path: Path, bad: Json, status: int, place: str
) -> None:
    await fhir.put("Patient/known", json=patient("known"))
    await fhir.put("Observation/refers", json=observation("refers", subject="Patient/known"))
    for name in ("twin-1", "twin-2"):
        await fhir.put(f"Patient/{name}", json=patient(name, identifier="twin"))
    before = everything_in(store_path)
    good = [
        entry("PUT", "Patient/first", patient("first"), full_url=FIRST),
        entry("POST", "Observation", observation(subject=FIRST)),
        entry("PUT", "Observation/refers", observation("refers", subject="Patient/known", status="amended")),
    ]
    for position in range(len(good) + 1):
        answered, body = await send(fhir, transaction(*good[:position], bad, *good[position:]))
        assert answered == status
        # Of two entries that write the same resource, either may be the one named.
        named = {f"Bundle.entry[{position}]{place}"}
        if bad["request"]["url"] == "Patient/first" if "request" in bad else False:
            named = {f"Bundle.entry[{max(position, 1 if position == 0 else 0)}]"}
        assert set(expressions_in(body)) == named
        assert everything_in(store_path) == before
    assert (await send(fhir, transaction(*good)))[0] == 200


async def test_the_problems_of_all_entries_come_at_once(fhir: httpx.AsyncClient) -> None:
    broken = {"resourceType": "Observation", "status": "final"}
    _, body = await send(
        fhir, transaction(entry("POST", "Observation", broken), entry("POST", "Observation", broken))
    )
    assert expressions_in(body) == ["Bundle.entry[0].resource.code", "Bundle.entry[1].resource.code"]


async def test_two_entries_with_one_full_url_are_refused(fhir: httpx.AsyncClient) -> None:
    twice = [entry("POST", "Patient", patient(), full_url=FIRST)] * 2
    assert (await send(fhir, transaction(*twice)))[0] == 400


async def test_random_transactions_are_kept_whole_or_not_at_all(fhir: httpx.AsyncClient, store_path: Path) -> None:
    """Of random bundles some fail somewhere; after each, the store holds all of it or is what it was."""
    chance = random.Random(20310302)  # noqa: S311 - a fixed seed, not a secret.
    kept = refused = 0
    for round_number in range(40):
        names = [f"o{chance.randrange(12)}" for _ in range(chance.randrange(1, 6))]
        subjects = [chance.choice([None, None, FIRST, "Patient/none", None]) for _ in names]
        entries = [
            entry(
                "PUT",
                f"Observation/{name}",
                observation(name, subject=subject, issued=f"2031-03-02T09:{round_number:02}:00Z"),
            )
            for name, subject in zip(names, subjects, strict=True)
        ]
        entries.append(entry("POST", "Patient", patient(identifier=f"P-{round_number}"), full_url=FIRST))
        before = everything_in(store_path)
        should_be_kept = len(set(names)) == len(names) and "Patient/none" not in subjects
        status, _ = await send(fhir, transaction(*entries))
        assert (status == 200) == should_be_kept
        if should_be_kept:
            kept += 1
            for name in names:
                assert (await read(fhir, f"Observation/{name}"))["issued"] == f"2031-03-02T09:{round_number:02}:00Z"
        else:
            refused += 1
            assert everything_in(store_path) == before
    assert kept > 5
    assert refused > 5


async def test_a_batch_answers_each_entry_for_itself(fhir: httpx.AsyncClient) -> None:
    status, body = await send(
        fhir,
        batch(
            entry("PUT", "Patient/p", patient("p")),
            entry("POST", "Observation", {"resourceType": "Observation", "status": "final"}),
            entry("POST", "Observation", observation(subject="Patient/none")),
            entry("GET", "Patient/p"),
            entry("GET", "Patient/none"),
            entry("POST", "Observation", observation(subject=f"Patient?identifier={PATIENTS}|P-100")),
            entry("POST", "Patient", patient(), ifNoneExist=f"identifier={PATIENTS}|P-100"),
        ),
    )
    assert status == 200
    assert body["type"] == "batch-response"
    assert statuses(body) == ["201", "422", "422", "200", "404", "422", "200"]
    assert expressions_in(responses(body)[1]["outcome"]) == ["Bundle.entry[1].resource.code"]
    assert body["entry"][3]["resource"]["id"] == "p"
    assert (await fhir.get("Observation")).json()["total"] == 0


async def test_a_document_bundle_is_stored_with_its_own_references(fhir: httpx.AsyncClient) -> None:
    document = {
        "resourceType": "Bundle",
        "id": "doc",
        "identifier": {"system": EVENTS, "value": "doc"},
        "type": "document",
        "timestamp": "2031-03-02T10:00:00+01:00",
        "entry": [
            {
                "fullUrl": FIRST,
                "resource": {
                    "resourceType": "Composition",
                    "status": "final",
                    "type": {"text": "record"},
                    "date": "2031-03-02",
                    "author": [{"reference": SECOND}],
                    "title": "Record",
                },
            },
            {"fullUrl": SECOND, "resource": {"resourceType": "Device"}},
        ],
    }
    status, _ = await send(fhir, transaction(entry("PUT", "Bundle/doc", document)))
    assert status == 200
    stored = await read(fhir, "Bundle/doc")
    assert stored["entry"] == document["entry"]
    assert ids_in((await fhir.get(f"Bundle?identifier={EVENTS}|doc")).json()) == ["doc"]


async def test_twenty_parallel_conditional_creates_make_exactly_one(fhir: httpx.AsyncClient) -> None:
    body, headers = patient(identifier="P-1"), {"If-None-Exist": P1}
    bundle = transaction(entry("POST", "Patient", body, full_url=FIRST, ifNoneExist=P1))
    answers = await asyncio.gather(
        *(fhir.post("Patient", json=body, headers=headers) for _ in range(20)),
        *(fhir.post(BASE, json=bundle) for _ in range(20)),
    )
    created = [answer.status_code for answer in answers[:20]].count(201)
    created += [statuses(answer.json())[0] for answer in answers[20:]].count("201")
    assert created == 1
    assert (await fhir.get("Patient")).json()["total"] == 1


async def test_parallel_updates_each_make_one_version_and_one_wins_each_if_match(fhir: httpx.AsyncClient) -> None:
    await fhir.put("Patient/p", json=patient("p"))
    bodies = [patient("p", identifier=f"Q-{number}") for number in range(20)]
    answers = await asyncio.gather(
        *(fhir.put("Patient/p", json=body, headers={"If-Match": 'W/"1"'}) for body in bodies)
    )
    assert sorted(answer.status_code for answer in answers) == [200] + [412] * 19
    answers = await asyncio.gather(*(fhir.put("Patient/p", json=body) for body in bodies))
    assert {answer.status_code for answer in answers} == {200}
    versions = {answer.headers["ETag"] for answer in answers}
    total = (await fhir.get("Patient/p/_history")).json()["total"]
    # One of them may have found its own content already there.
    assert total - 2 in {19, 20}
    assert len(versions) in {19, 20}
