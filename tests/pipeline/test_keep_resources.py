"""Only what changed is kept anew and sent, and it waits for whatever it refers to."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from service.records.references import references_in
from tests.support.whole_service import WholeService, read_example, settings_in, whole_service

SHOCK: dict[str, Any] = {"id": "e-1", "kind": "shock_delivered", "at": "2031-03-02T10:02:05+01:00", "device": "D-9"}


def test_references_are_found_at_any_depth_and_nothing_else_is() -> None:
    resource = {
        "subject": {"reference": "Patient/1"},
        "hasMember": [{"reference": "Observation/2"}, {"display": "nobody"}],
        "reference": {"reference": "Device/3"},
        "note": [{"text": "Patient/9"}],
    }
    assert sorted(references_in(resource)) == ["Device/3", "Observation/2", "Patient/1"]


def test_a_delivery_waits_for_the_anchors_and_the_device_that_it_refers_to(tmp_path: Path) -> None:
    with whole_service(settings_in(tmp_path), delivers=False) as service:
        service.open_case("c-1")
        service.take_event("c-1", SHOCK)
        ids: dict[str, set[int]] = {}
        for one in service.get("/v1/deliveries")["deliveries"]:
            ids.setdefault(one["record"], set()).add(one["id"])
        (event,) = ids["event:c-1/e-1"]
        waits = {row[0] for row in service.rows("SELECT after_id FROM delivery_waits WHERE delivery_id = ?", event)}
    assert waits == ids["device:D-9"] | ids["case:c-1"]


def test_a_device_is_made_once_however_many_events_name_it(running: WholeService) -> None:
    running.open_case("c-once")
    for number in range(3):
        running.take_event("c-once", {**SHOCK, "id": f"e-{number}"})
    running.wait_until_delivered()
    (device,) = [one for one in running.resources("c-once") if one["resourceType"] == "Device"]
    assert running.at_endpoint("Device", device["id"])["meta"]["versionId"] == "1"


def test_a_device_that_is_registered_after_an_event_named_it_becomes_the_same_resource(
    running: WholeService,
) -> None:
    running.open_case("c-named")
    running.take_event("c-named", {**SHOCK, "device": "D-named"})
    (before,) = [one for one in running.resources("c-named") if one["resourceType"] == "Device"]
    assert "D-named" not in [one["id"] for one in running.get("/v1/devices")["devices"]]
    answer = running.send("PUT", "/v1/devices/D-named", read_example("device-check/device.json"))
    assert answer.status_code == 201
    running.wait_until_delivered()
    held = running.at_endpoint("Device", before["id"])
    assert (held["serialNumber"], held["meta"]["versionId"]) == ("SN-0003", "2")


def test_a_correction_sends_only_the_resources_that_it_changes(running: WholeService) -> None:
    running.open_case("c-part")
    vitals = {
        "id": "v-1",
        "kind": "vital_signs",
        "at": "2031-03-02T10:09:30+01:00",
        "heart_rate": 104,
        "systolic": 96,
    }
    first = running.take_event("c-part", vitals)
    answer = running.send("PUT", "/v1/cases/c-part/events/v-1", {**vitals, "heart_rate": 106}, reason="misread")
    changed = answer.json()["resources"]
    assert set(changed) < set(first["resources"])
    kinds = sorted(reference.split("/")[0] for reference in changed)
    assert kinds == ["Observation", "Provenance"]


def test_two_cases_of_one_patient_share_the_patient(running: WholeService) -> None:
    for case_id in ("c-p-1", "c-p-2"):
        running.open_case(case_id)
    running.wait_until_delivered()
    patients = [
        {one["id"] for one in running.resources(case_id) if one["resourceType"] == "Patient"}
        for case_id in ("c-p-1", "c-p-2")
    ]
    assert patients[0] == patients[1]
    (patient,) = patients[0]
    assert running.at_endpoint("Patient", patient)["meta"]["versionId"] == "1"
