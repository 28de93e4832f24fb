"""Events come in any order, some of them late: what stands in the chart at the end is the same."""

from __future__ import annotations

import random
from typing import Any

import pytest

from tests.support.exact_comparison import by_reference, spelled, without_server_meta
from tests.support.whole_service import WholeService, read_example, settings_in, whole_service

START: dict[str, Any] = {"id": "r-1", "kind": "compressions_started", "at": "2031-03-02T10:00:35+01:00"}
PAUSE: dict[str, Any] = {"id": "r-3", "kind": "compressions_paused", "at": "2031-03-02T10:04:10+01:00"}


@pytest.fixture(scope="module")
def in_order(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    with whole_service(settings_in(tmp_path_factory.mktemp("in-order")), delivers=False) as service:
        service.post_device_check()
        service.post_case_example("demo", "c-demo")
        return by_reference(service.resources("c-demo"))


@pytest.mark.parametrize("seed", range(6))
def test_the_demonstration_in_any_order_makes_the_same_resources(
    seed: int, fresh: WholeService, in_order: dict[str, Any]
) -> None:
    events = read_example("demo/events.json")
    random.Random(seed).shuffle(events)  # noqa: S311 - it shuffles, and keeps no secret.
    fresh.send("PUT", "/v1/cases/c-demo", read_example("demo/case.json"))
    check_comes_after = seed * 4
    for number, event in enumerate(events):
        if number == check_comes_after:
            fresh.post_device_check()
        fresh.take_event("c-demo", event)
    assert by_reference(fresh.resources("c-demo")) == in_order
    fresh.wait_until_delivered()
    for reference, resource in in_order.items():
        assert spelled(without_server_meta(fresh.at_endpoint(*reference.split("/")))) == resource


def _runs(service: WholeService, case_id: str) -> list[tuple[str, str, str | None]]:
    return sorted(
        (
            one["status"],
            one["performedPeriod"]["start"][11:19],
            one["performedPeriod"].get("end", "")[11:19] or None,
        )
        for one in service.resources(case_id)
        if one["resourceType"] == "Procedure" and "compressions" in one["code"].get("text", "").lower()
    )


def _part_of(service: WholeService, case_id: str, event_id: str) -> str:
    (part,) = service.resource_of(case_id, event_id, "Observation")["partOf"]
    return str(part["reference"])


def test_a_late_pause_and_a_late_start_divide_a_run_and_the_chart_follows(running: WholeService) -> None:
    running.open_case("c-late")
    for event in (START, PAUSE):
        running.take_event("c-late", {**event, "method": "manual"} if event is START else event)
    running.wait_until_delivered()
    assert _runs(running, "c-late") == [("completed", "10:00:35", "10:04:10")]
    whole = _part_of(running, "c-late", "r-3")

    running.take_event("c-late", {"id": "r-2", "kind": "compressions_paused", "at": "2031-03-02T10:01:48+01:00"})
    assert _runs(running, "c-late") == [("completed", "10:00:35", "10:01:48")]
    running.take_event(
        "c-late",
        {"id": "r-4", "kind": "compressions_started", "at": "2031-03-02T10:02:09+01:00", "method": "manual"},
    )
    assert _runs(running, "c-late") == [
        ("completed", "10:00:35", "10:01:48"),
        ("completed", "10:02:09", "10:04:10"),
    ]
    assert _part_of(running, "c-late", "r-2") == whole
    second = _part_of(running, "c-late", "r-3")
    assert second == _part_of(running, "c-late", "r-4") != whole
    running.wait_until_delivered()
    held = running.at_endpoint(*whole.split("/"))
    assert held["performedPeriod"]["end"] == "2031-03-02T10:01:48+01:00"
    assert running.at_endpoint(*second.split("/"))["performedPeriod"]["start"] == "2031-03-02T10:02:09+01:00"


def test_a_run_that_nothing_ends_is_in_progress_until_its_end_comes(running: WholeService) -> None:
    running.open_case("c-running")
    running.take_event("c-running", {**START, "method": "manual"})
    assert _runs(running, "c-running") == [("in-progress", "10:00:35", None)]
    running.take_event("c-running", PAUSE)
    assert _runs(running, "c-running") == [("completed", "10:00:35", "10:04:10")]


def test_an_event_before_the_start_of_the_case_is_taken_and_the_timeline_says_so(running: WholeService) -> None:
    running.open_case("c-before")
    running.take_event("c-before", {"id": "b-1", "kind": "remark", "at": "2031-03-02T09:00:00+01:00", "text": "x"})
    (entry,) = running.get("/v1/cases/c-before/timeline")["entries"]
    assert entry["findings"] != []
