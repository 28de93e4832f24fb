"""An array of events is answered item by item: what is good is taken, whatever stands beside it."""

from __future__ import annotations

from typing import Any

from service.exact_json import read_json
from tests.support.whole_service import WholeService

GOOD: dict[str, Any] = {"id": "a-1", "kind": "remark", "at": "2031-03-02T10:02:05+01:00", "text": "Begun."}
BAD: dict[str, Any] = {"id": "a-2", "kind": "remark", "at": "2031-03-02T10:02:05", "words": "Begun."}


def test_a_mixed_array_takes_the_good_and_says_what_is_wrong_with_the_others(running: WholeService) -> None:
    running.open_case("c-mixed")
    running.take_event("c-mixed", GOOD)
    items = [GOOD, BAD, {**GOOD, "id": "a-3"}, 7, {**GOOD, "text": "Other."}]
    answer = running.send("POST", "/v1/cases/c-mixed/events", items)
    assert answer.status_code == 207
    outcomes = answer.json()["outcomes"]
    assert [(one["id"], one["outcome"]) for one in outcomes] == [
        ("a-1", "duplicate"),
        ("a-2", "rejected"),
        ("a-3", "accepted"),
        (None, "rejected"),
        ("a-1", "rejected"),
    ]
    assert sorted((one["code"], one["pointer"]) for one in outcomes[1]["problems"]) == [
        ("time_without_offset", "/1/at"),
        ("unknown_field", "/1/words"),
    ]
    assert all(one["problems"] == [] for one in outcomes if one["outcome"] != "rejected")
    assert running.get("/v1/cases/c-mixed")["events"] == 2


def test_each_refused_item_is_kept_by_itself(running: WholeService) -> None:
    running.open_case("c-items")
    running.send("POST", "/v1/cases/c-items/events", [GOOD, BAD, 7])
    refused = running.entries(case_id="c-items", action="refused")
    assert [read_json(running.received(entry["number"])) for entry in refused] == [BAD, 7]


def test_an_empty_array_is_answered_with_no_outcome(running: WholeService) -> None:
    running.open_case("c-empty")
    answer = running.send("POST", "/v1/cases/c-empty/events", [])
    assert (answer.status_code, answer.json()) == (207, {"outcomes": []})


def test_an_array_for_an_unknown_case_is_refused_whole_and_every_item_is_kept(running: WholeService) -> None:
    answer = running.send("POST", "/v1/cases/c-nowhere/events", [GOOD, {**GOOD, "id": "a-9"}])
    assert answer.status_code == 404
    assert [one["code"] for one in answer.json()["problems"]] == ["unknown_case"]
    kept = [read_json(running.received(entry["number"])) for entry in running.entries(case_id="c-nowhere")]
    assert kept == [GOOD, {**GOOD, "id": "a-9"}]


def test_five_hundred_events_are_taken_and_five_hundred_and_one_refused(running: WholeService) -> None:
    running.open_case("c-many")
    many = [{**GOOD, "id": f"m-{number}"} for number in range(501)]
    refused = running.send("POST", "/v1/cases/c-many/events", many)
    assert refused.status_code == 413
    assert [one["code"] for one in refused.json()["problems"]] == ["too_many_events"]
    assert read_json(running.received(running.newest_refusal()["number"])) == many
    taken = running.send("POST", "/v1/cases/c-many/events", many[:500])
    assert {one["outcome"] for one in taken.json()["outcomes"]} == {"accepted"}
    assert running.get("/v1/cases/c-many")["events"] == 500
