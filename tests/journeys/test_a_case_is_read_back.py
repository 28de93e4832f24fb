"""What can be asked of a case and of the outbox: gaps, timeline, deliveries, destination; and a preview."""

from __future__ import annotations

from typing import Any

import pytest

from tests.support.exact_comparison import by_reference
from tests.support.stores import TABLES
from tests.support.whole_service import WholeService, read_example


@pytest.fixture(scope="module")
def demo(running: WholeService) -> WholeService:
    running.post_device_check()
    running.post_case_example("demo", "c-demo")
    running.wait_until_delivered()
    return running


def test_the_missing_route_is_a_gap_with_a_question(demo: WholeService) -> None:
    gaps = demo.get("/v1/cases/c-demo/gaps")["gaps"]
    (route,) = [gap for gap in gaps if gap["element"] == "medication_given.route"]
    assert route["event_id"] == "e-22"
    assert route["state"] == "missing"
    assert route["ask"]
    assert route["rule"]


def test_a_correction_closes_the_gap(running: WholeService) -> None:
    running.open_case("c-gap")
    drug = {
        "id": "e-1",
        "kind": "medication_given",
        "at": "2031-03-02T10:07:10+01:00",
        "agent": "amiodarone",
        "dose_value": 300,
        "dose_unit": "mg",
    }
    running.take_event("c-gap", drug)

    def missing() -> set[str]:
        return {gap["element"] for gap in running.get("/v1/cases/c-gap/gaps")["gaps"]}

    assert "medication_given.route" in missing()
    running.send("PUT", "/v1/cases/c-gap/events/e-1", {**drug, "route": "intraosseous"}, reason="asked")
    assert "medication_given.route" not in missing()


def test_gaps_over_many_cases_are_the_same_gaps(demo: WholeService) -> None:
    own = demo.get("/v1/cases/c-demo/gaps")["gaps"]
    listed = [gap for gap in demo.get("/v1/audit/gaps", limit="500")["gaps"] if gap["case_id"] == "c-demo"]
    assert listed == [{"case_id": "c-demo", **gap} for gap in own]
    groups = {group["element"]: group for group in demo.get("/v1/audit/gaps", group_by="element")["groups"]}
    assert groups["medication_given.route"]["missing"] >= 1
    assert all(0 <= group["missing"] <= group["applicable"] for group in groups.values())


def test_the_timeline_stands_in_the_order_of_corrected_time(demo: WholeService) -> None:
    entries = demo.get("/v1/cases/c-demo/timeline")["entries"]
    assert len(entries) == 27
    assert {entry["version"] for entry in entries} == {1}
    shock = entries[5]
    assert (shock["event_id"], shock["kind"], shock["at"]) == (
        "e-06",
        "shock_delivered",
        "2031-03-02T10:04:47+01:00",
    )


def test_a_case_says_how_many_events_it_has_and_how_its_delivery_stands(demo: WholeService) -> None:
    case = demo.get("/v1/cases/c-demo")
    assert case["events"] == 27
    assert case["delivery"]["waiting"] == case["delivery"]["held"] == 0
    assert case["delivery"]["delivered"] > 0
    assert {name: case[name] for name in read_example("demo/case.json")} == read_example("demo/case.json")
    assert "c-demo" in [one["id"] for one in demo.get("/v1/cases", limit="500")["cases"]]


def test_cases_and_deliveries_are_paged_without_loss(demo: WholeService) -> None:
    for number in range(5):
        demo.open_case(f"c-page-{number}")
    demo.wait_until_delivered()
    for path, name, key in (("/v1/cases", "cases", "id"), ("/v1/deliveries", "deliveries", "id")):
        whole = [one[key] for one in demo.get(path, limit="500")[name]]
        paged: list[Any] = []
        page = demo.get(path, limit="2")
        while True:
            paged.extend(one[key] for one in page[name])
            if "next" not in page:
                break
            page = demo.get(path, limit="2", after=str(page["next"]))
        assert paged == whole
        assert len(whole) >= 6


def test_deliveries_tell_of_which_record_they_are(demo: WholeService) -> None:
    deliveries = demo.get("/v1/deliveries", case_id="c-demo", state="delivered")["deliveries"]
    assert "event:c-demo/e-06" in [delivery["record"] for delivery in deliveries]
    assert {delivery["state"] for delivery in deliveries} == {"delivered"}
    assert all(delivery["attempts"] == 1 and delivery["last_error"] is None for delivery in deliveries)


def test_only_a_held_delivery_can_be_retried(demo: WholeService) -> None:
    delivered = demo.get("/v1/deliveries", state="delivered", limit="1")["deliveries"][0]["id"]
    refused = demo.send("POST", f"/v1/deliveries/{delivered}/retry")
    assert (refused.status_code, refused.json()["problems"][0]["code"]) == (409, "not_held")
    unknown = demo.send("POST", "/v1/deliveries/999999/retry")
    assert (unknown.status_code, unknown.json()["problems"][0]["code"]) == (404, "unknown_delivery")


def test_the_destination_says_what_it_can_do(demo: WholeService) -> None:
    destination = demo.get("/v1/destination")
    assert destination["base"] == f"{demo.base}/fhir"
    assert destination["usable"] is True
    assert destination["problem"] is None
    assert destination["strategy"] == "client-ids"
    assert destination["missing"] == []


def test_a_preview_makes_what_would_be_sent_and_keeps_nothing(demo: WholeService) -> None:
    tables = [name for (name,) in demo.rows(TABLES)]

    def counts() -> dict[str, int]:
        return {name: demo.rows(f"SELECT count(*) FROM {name}")[0][0] for name in tables}  # noqa: S608

    before = counts()
    body = {"case": read_example("demo/case.json"), "events": read_example("demo/events.json")}
    answer = demo.send("POST", "/v1/preview", body)
    assert answer.status_code == 200
    preview = answer.json()
    assert preview["findings"] == []
    assert preview["not_checked"]
    types = sorted(entry["resource"]["resourceType"] for entry in preview["bundle"]["entry"])
    assert types == sorted(reference.split("/")[0] for reference in by_reference(demo.resources("c-demo")))
    assert counts() == before


def test_a_preview_of_one_event_needs_no_case(demo: WholeService) -> None:
    answer = demo.send("POST", "/v1/preview", read_example("demo/events.json")[5])
    assert answer.status_code == 200
    assert "Procedure" in [entry["resource"]["resourceType"] for entry in answer.json()["bundle"]["entry"]]


def test_a_preview_of_what_is_wrong_lists_every_problem_where_it_stands(demo: WholeService) -> None:
    answer = demo.send("POST", "/v1/preview", {"case": {"weight_kilograms": -1}, "events": [{"kind": "remark"}, 7]})
    assert answer.status_code == 422
    assert sorted((one["code"], one["pointer"]) for one in answer.json()["problems"]) == [
        ("impossible_value", "/case/weight_kilograms"),
        ("missing_required", "/case/patient"),
        ("missing_required", "/events/0/at"),
        ("missing_required", "/events/0/id"),
        ("wrong_type", "/events/1"),
    ]


def test_an_unmapped_value_is_taken_sent_as_it_was_given_and_reported(demo: WholeService) -> None:
    demo.open_case("c-unmapped")
    answer = demo.take_event(
        "c-unmapped",
        {
            "id": "u-1",
            "kind": "rhythm_assessed",
            "at": "2031-03-02T10:00:00+01:00",
            "rhythm": {"text": "junctional"},
        },
    )
    assert [(one["code"], one["pointer"]) for one in answer["warnings"]] == [("unmapped_value", "/rhythm")]
    assert demo.resource_of("c-unmapped", "u-1", "Observation")["valueCodeableConcept"] == {"text": "junctional"}
