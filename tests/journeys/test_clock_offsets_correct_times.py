"""A device whose clock is known to be wrong times its events right, whenever the comparison comes in."""

from __future__ import annotations

from typing import Any

from tests.support.whole_service import WholeService

SHOCK: dict[str, Any] = {
    "id": "e-06",
    "kind": "shock_delivered",
    "at": "2031-03-02T10:04:47+01:00",
    "device": "D-3",
    "source": "device",
}
RAW, CORRECTED = "2031-03-02T10:04:47+01:00", "2031-03-02T10:02:05+01:00"


def _shock(device: str) -> dict[str, Any]:
    return {**SHOCK, "device": device, "clock": device}


def _time(service: WholeService, case_id: str) -> str:
    time: str = service.resource_of(case_id, "e-06", "Procedure")["performedDateTime"]
    return time


def _raw_time(resource: dict[str, Any]) -> dict[str, Any]:
    (extension,) = resource["_performedDateTime"]["extension"]
    return {
        part["url"]: next(value for name, value in part.items() if name != "url") for part in extension["extension"]
    }


def test_a_check_before_the_case_corrects_the_time_of_the_shock(running: WholeService) -> None:
    running.post_device_check("D-before")
    (device,) = [one for one in running.get("/v1/devices")["devices"] if one["id"] == "D-before"]
    assert device["clock_offset_seconds"] == 162
    running.open_case("c-before")
    running.take_event("c-before", _shock("D-before"))
    assert _time(running, "c-before") == CORRECTED
    raw = _raw_time(running.resource_of("c-before", "e-06", "Procedure"))
    assert (raw["time"], raw["clock"], raw["offset"]["value"]) == (RAW, "D-before", 162)


def test_a_check_after_the_events_corrects_them_here_and_at_the_endpoint(running: WholeService) -> None:
    running.open_case("c-after")
    running.take_event("c-after", _shock("D-after"))
    running.wait_until_delivered()
    before = running.resource_of("c-after", "e-06", "Procedure")
    assert before["performedDateTime"] == RAW
    assert "offset" not in _raw_time(before)
    running.post_device_check("D-after")
    running.wait_until_delivered()
    held = running.at_endpoint("Procedure", before["id"])
    assert (held["performedDateTime"], held["meta"]["versionId"]) == (CORRECTED, "2")
    (entry,) = running.get("/v1/cases/c-after/timeline")["entries"]
    assert entry["at"] == RAW
    assert entry["corrected_at"] in (CORRECTED, "2031-03-02T09:02:05Z")
    assert entry["uncertainty_seconds"] > 0


def test_a_clock_that_was_never_compared_leaves_the_time_and_the_timeline_says_that_it_is_unknown(
    running: WholeService,
) -> None:
    running.open_case("c-unknown")
    running.take_event("c-unknown", _shock("D-unknown"))
    assert _time(running, "c-unknown") == RAW
    (entry,) = running.get("/v1/cases/c-unknown/timeline")["entries"]
    assert entry["findings"] != []


def test_a_comparison_in_the_case_corrects_and_its_retraction_takes_the_correction_back(
    running: WholeService,
) -> None:
    running.open_case("c-compare")
    running.take_event("c-compare", _shock("D-compare"))
    comparison = {
        "id": "k-1",
        "kind": "clock_compared",
        "at": "2031-03-02T10:20:00+01:00",
        "device": "D-compare",
        "device_at": "2031-03-02T10:22:42+01:00",
        "reference_at": "2031-03-02T10:20:00+01:00",
    }
    running.take_event("c-compare", comparison)
    assert _time(running, "c-compare") == CORRECTED
    running.send("DELETE", "/v1/cases/c-compare/events/k-1", reason="the wrong device")
    assert _time(running, "c-compare") == RAW
    running.wait_until_delivered()
    procedure = running.resource_of("c-compare", "e-06", "Procedure")
    assert running.at_endpoint("Procedure", procedure["id"])["performedDateTime"] == RAW


def test_an_offset_moves_a_shock_into_the_pause_where_it_belongs(running: WholeService) -> None:
    running.post_device_check()
    running.post_case_example("demo", "c-demo")
    timeline = running.get("/v1/cases/c-demo/timeline")["entries"]
    order = [entry["event_id"] for entry in timeline]
    assert order == [f"e-{number:02}" for number in range(1, 28)]
