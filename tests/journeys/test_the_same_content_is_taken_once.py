"""The same content again, however spelled, is a duplicate with the first answer; other content is a conflict."""

from __future__ import annotations

import json
from typing import Any

import pytest

from tests.support.whole_service import WholeService, read_example

SHOCK: dict[str, Any] = {
    "id": "e-1",
    "kind": "shock_delivered",
    "at": "2031-03-02T10:02:05+01:00",
    "energy_selected_joules": 200,
    "energy_delivered_joules": 187.5,
    "recorded_by": {"role": "recorder", "name": "R. Example"},
}
SPELLINGS = {
    "the same bytes": json.dumps(SHOCK),
    "with other whitespace": json.dumps(SHOCK, indent=4) + "\n\n",
    "with its members in another order": json.dumps(dict(reversed(SHOCK.items()))),
    "with a zero behind the fraction": json.dumps(SHOCK).replace("187.5", "187.50"),
    "with an exponent": json.dumps(SHOCK).replace("187.5", "1.875e2"),
    "with a fraction of zero": json.dumps(SHOCK).replace(": 200,", ": 200.0,"),
    "with a null for what is absent": json.dumps({**SHOCK, "note": None}),
    "with a letter written as an escape": json.dumps(SHOCK).replace("R. Example", "\\u0052. Example"),
}


@pytest.mark.parametrize("spelling", SPELLINGS)
def test_the_same_content_is_a_duplicate_and_gets_the_first_answer(running: WholeService, spelling: str) -> None:
    case_id = f"c-same-{list(SPELLINGS).index(spelling)}"
    running.open_case(case_id)
    path = f"/v1/cases/{case_id}/events"
    first = running.send_bytes("POST", path, json.dumps(SHOCK).encode())
    again = running.send_bytes("POST", path, SPELLINGS[spelling].encode())
    assert (first.status_code, again.status_code) == (201, 201)
    assert first.json()["outcome"] == "accepted"
    assert again.json() == {**first.json(), "outcome": "duplicate"}
    assert running.get(f"/v1/cases/{case_id}")["events"] == 1
    assert running.entries(case_id=case_id, action="duplicate")[-1]["subject"] == f"event:{case_id}/e-1"


OTHERS = {
    "another value": {**SHOCK, "energy_delivered_joules": 187.6},
    "a missing field": {name: value for name, value in SHOCK.items() if name != "recorded_by"},
    "one field more": {**SHOCK, "shock_number": 1},
    "another kind": {"id": "e-1", "kind": "remark", "at": SHOCK["at"], "text": "Shock."},
    "the same moment in another offset": {**SHOCK, "at": "2031-03-02T09:02:05Z"},
}


@pytest.mark.parametrize("other", OTHERS)
def test_other_content_under_a_taken_id_is_a_conflict_alone_and_in_an_array(
    running: WholeService, other: str
) -> None:
    case_id = f"c-other-{list(OTHERS).index(other)}"
    running.open_case(case_id)
    running.take_event(case_id, SHOCK)
    alone = running.post_event(case_id, OTHERS[other])
    assert alone.status_code == 409
    (problem,) = alone.json()["problems"]
    assert (problem["code"], problem["pointer"]) == ("other_content", "/id")
    assert "PUT" in problem["expected"]
    array = running.send("POST", f"/v1/cases/{case_id}/events", [SHOCK, OTHERS[other]])
    assert array.status_code == 207
    same, conflict = array.json()["outcomes"]
    assert same["outcome"] == "duplicate"
    assert conflict["outcome"] == "rejected"
    assert [(one["code"], one["pointer"]) for one in conflict["problems"]] == [("other_content", "/1/id")]


def test_the_same_event_twice_in_one_array_is_taken_once(running: WholeService) -> None:
    running.open_case("c-twice")
    answer = running.send("POST", "/v1/cases/c-twice/events", [SHOCK, SHOCK])
    assert [outcome["outcome"] for outcome in answer.json()["outcomes"]] == ["accepted", "duplicate"]
    assert running.get("/v1/cases/c-twice")["events"] == 1


def test_the_same_id_in_another_case_is_another_event(running: WholeService) -> None:
    for case_id in ("c-one", "c-two"):
        running.open_case(case_id)
        running.take_event(case_id, SHOCK)
    one, two = (running.resource_of(case_id, "e-1", "Procedure") for case_id in ("c-one", "c-two"))
    assert one["id"] != two["id"]


def test_a_case_a_device_and_a_check_sent_again_change_nothing(running: WholeService) -> None:
    running.open_case("c-again")
    check = running.post_device_check("D-again")
    counts = running.delivery_counts()
    running.open_case("c-again")
    assert running.post_device_check("D-again") == check
    assert sum(running.delivery_counts().values()) == sum(counts.values())
    changed = {**read_example("device-check/check.json"), "note": "Another."}
    answer = running.send("POST", "/v1/devices/D-again/checks", changed)
    assert answer.status_code == 409
    assert answer.json()["problems"][0]["code"] == "other_content"


def test_a_duplicate_sends_nothing_to_the_chart(running: WholeService) -> None:
    running.open_case("c-once")
    answer = running.take_event("c-once", SHOCK)
    running.wait_until_delivered()
    for _ in range(3):
        running.post_event("c-once", SHOCK)
    running.wait_until_delivered()
    for reference in answer["resources"]:
        assert running.get(f"/fhir/{reference}")["meta"]["versionId"] == "1"
