"""A correction is a new version and a retraction says so of itself: here, at the endpoint, and in the log."""

from __future__ import annotations

from typing import Any

from tests.support.whole_service import WholeService, read_example

DRUG: dict[str, Any] = {
    "id": "e-1",
    "kind": "medication_given",
    "at": "2031-03-02T10:05:05+01:00",
    "agent": "epinephrine",
    "dose_value": 1,
    "dose_unit": "mg",
}


def _correct(service: WholeService, case_id: str, event: dict[str, Any], reason: str = "misread") -> Any:
    return service.send("PUT", f"/v1/cases/{case_id}/events/{event['id']}", event, reason=reason)


def _retract(service: WholeService, case_id: str, event_id: str, reason: str = "other patient") -> Any:
    return service.send("DELETE", f"/v1/cases/{case_id}/events/{event_id}", reason=reason)


def test_a_correction_is_the_next_version_of_the_same_resource_at_the_endpoint(running: WholeService) -> None:
    running.open_case("c-correct")
    running.take_event("c-correct", DRUG)
    running.wait_until_delivered()
    before = running.resource_of("c-correct", "e-1", "MedicationAdministration")
    answer = _correct(running, "c-correct", {**DRUG, "route": "intravenous", "dose_value": 0.5})
    assert (answer.status_code, answer.json()["version"], answer.json()["outcome"]) == (200, 2, "accepted")
    running.wait_until_delivered()
    held = running.at_endpoint("MedicationAdministration", before["id"])
    assert held["dosage"]["dose"]["value"] == 0.5
    assert held["dosage"]["route"]["text"] == "Intravenous"
    assert held["meta"]["versionId"] == "2"
    old = running.get(f"/fhir/MedicationAdministration/{before['id']}/_history/1")
    assert old["dosage"]["dose"]["value"] == 1
    provenance = running.resource_of("c-correct", "e-1", "Provenance")
    assert provenance["activity"]["coding"][0]["code"] == "UPDATE"
    versions = running.rows("SELECT version, current FROM events WHERE case_id = 'c-correct' ORDER BY version")
    assert versions == [(1, 0), (2, 1)]


def test_the_log_tells_of_a_correction_with_its_reason(running: WholeService) -> None:
    running.open_case("c-reason")
    running.take_event("c-reason", DRUG)
    _correct(running, "c-reason", {**DRUG, "dose_value": 2}, "read back from the label")
    (entry,) = running.entries(case_id="c-reason", action="event-corrected")
    assert entry["subject"] == "event:c-reason/e-1"
    assert entry["detail"]["version"] == 2
    assert entry["detail"]["reason"] == "read back from the label"


def test_a_correction_that_changes_nothing_is_a_duplicate(running: WholeService) -> None:
    running.open_case("c-nothing")
    running.take_event("c-nothing", DRUG)
    answer = _correct(running, "c-nothing", DRUG)
    assert (answer.status_code, answer.json()["outcome"], answer.json()["version"]) == (200, "duplicate", 1)


def test_a_correction_without_a_reason_is_refused(running: WholeService) -> None:
    running.open_case("c-silent")
    running.take_event("c-silent", DRUG)
    for answer in (
        running.send("PUT", "/v1/cases/c-silent/events/e-1", {**DRUG, "dose_value": 2}),
        running.send("DELETE", "/v1/cases/c-silent/events/e-1"),
    ):
        assert answer.status_code == 422
        assert answer.json()["problems"][0]["code"] == "wrong_parameter"
        assert answer.json()["problems"][0]["pointer"] == "/query/reason"
    assert running.get("/v1/cases/c-silent/timeline")["entries"][0]["version"] == 1


def test_what_cannot_be_corrected_is_refused_with_what_would_be_right(running: WholeService) -> None:
    running.open_case("c-wrong")
    running.take_event("c-wrong", DRUG)
    refused = {
        "unknown_case": _correct(running, "c-none", DRUG),
        "unknown_event": _correct(running, "c-wrong", {**DRUG, "id": "e-9"}),
        "contradiction": running.send("PUT", "/v1/cases/c-wrong/events/e-1", {**DRUG, "id": "e-2"}, reason="x"),
        "other_content": _correct(
            running, "c-wrong", {"id": "e-1", "kind": "remark", "at": DRUG["at"], "text": "x"}
        ),
        "unit_not_ucum": _correct(running, "c-wrong", {**DRUG, "dose_unit": "mcg"}),
    }
    for code, answer in refused.items():
        assert [problem["code"] for problem in answer.json()["problems"]] == [code]
        assert all(problem["expected"] for problem in answer.json()["problems"])
    assert [refused[code].status_code for code in refused] == [404, 404, 422, 409, 422]


def test_a_retracted_event_is_entered_in_error_everywhere_and_nothing_is_erased(running: WholeService) -> None:
    running.open_case("c-retract")
    running.take_event("c-retract", DRUG)
    running.wait_until_delivered()
    drug = running.resource_of("c-retract", "e-1", "MedicationAdministration")
    answer = _retract(running, "c-retract", "e-1")
    assert (answer.status_code, answer.json()["outcome"]) == (200, "entered_in_error")
    running.wait_until_delivered()
    held = running.at_endpoint("MedicationAdministration", drug["id"])
    assert (held["status"], held["meta"]["versionId"]) == ("entered-in-error", "2")
    assert running.get(f"/fhir/MedicationAdministration/{drug['id']}/_history/1")["status"] == "completed"
    assert running.resource_of("c-retract", "e-1", "Provenance")["activity"]["coding"][0]["code"] == "NULLIFY"
    (entry,) = running.get("/v1/cases/c-retract/timeline")["entries"]
    assert entry["state"] != "current"
    (logged,) = running.entries(case_id="c-retract", action="event-retracted")
    assert logged["detail"]["reason"] == "other patient"
    assert _retract(running, "c-retract", "e-1").json()["outcome"] == "duplicate"
    corrected = _correct(running, "c-retract", {**DRUG, "dose_value": 2})
    assert (corrected.status_code, corrected.json()["problems"][0]["code"]) == (409, "retracted_event")


def test_a_retracted_start_takes_its_run_with_it(running: WholeService) -> None:
    running.open_case("c-run")
    running.take_event(
        "c-run",
        {"id": "s-1", "kind": "compressions_started", "at": "2031-03-02T10:00:35+01:00", "method": "manual"},
    )
    (part,) = running.resource_of("c-run", "s-1", "Observation")["partOf"]
    _retract(running, "c-run", "s-1")
    running.wait_until_delivered()
    assert running.at_endpoint(*part["reference"].split("/"))["status"] == "entered-in-error"


def test_every_kind_of_resource_in_the_demonstration_can_say_that_it_was_entered_in_error(
    running: WholeService,
) -> None:
    running.post_case_example("demo", "c-gone")
    for event in read_example("demo/events.json"):
        assert _retract(running, "c-gone", event["id"]).status_code == 200
    running.wait_until_delivered()
    for event in read_example("demo/events.json"):
        for resource in running.resources_of_event("c-gone", event["id"]):
            held = running.at_endpoint(resource["resourceType"], resource["id"])
            match resource["resourceType"]:
                case "Provenance":
                    assert held["activity"]["coding"][0]["code"] == "NULLIFY"
                case "Condition":
                    assert held["verificationStatus"]["coding"][0]["code"] == "entered-in-error"
                case _:
                    assert held["status"] == "entered-in-error"


def test_an_amended_case_maps_its_events_anew_and_sends_only_what_changed(running: WholeService) -> None:
    running.open_case("c-amend")
    running.take_event("c-amend", {"id": "s-1", "kind": "shock_delivered", "at": "2031-03-02T10:02:05+01:00"})
    running.take_event("c-amend", DRUG)
    running.wait_until_delivered()
    procedure = running.resource_of("c-amend", "s-1", "Procedure")
    drug = running.resource_of("c-amend", "e-1", "MedicationAdministration")
    running.open_case("c-amend", location="Cardiac catheter laboratory")
    running.wait_until_delivered()
    place = running.at_endpoint(*procedure["location"]["reference"].split("/"))
    assert place["name"] == "Cardiac catheter laboratory"
    assert running.at_endpoint("Procedure", procedure["id"])["meta"]["versionId"] == "1"
    encounter = {"system": "urn:example:hospital:encounters", "value": "E-other"}
    running.open_case("c-amend", location="Cardiac catheter laboratory", encounter=encounter)
    running.wait_until_delivered()
    for resource, element in ((procedure, "encounter"), (drug, "context")):
        anew = running.at_endpoint(resource["resourceType"], resource["id"])
        assert anew["meta"]["versionId"] == "2"
        visit = running.at_endpoint(*anew[element]["reference"].split("/"))
        assert encounter in visit["identifier"]
    amended = running.entries(case_id="c-amend", action="case-amended")
    assert [entry["detail"]["version"] for entry in amended] == [2, 3]


def test_the_patient_of_a_case_is_sealed(running: WholeService) -> None:
    running.open_case("c-seal")
    other = {"identifier": {"system": "urn:example:hospital:patients", "value": "P-200"}}
    answer = running.send("PUT", "/v1/cases/c-seal", {**read_example("demo/case.json"), "patient": other})
    assert answer.status_code == 409
    (problem,) = answer.json()["problems"]
    assert (problem["code"], problem["pointer"]) == ("sealed_field", "/patient")
    assert running.newest_refusal()["outcome"] == "conflict"
    assert running.get("/v1/cases/c-seal")["patient"] == read_example("demo/case.json")["patient"]


def test_a_sealed_patient_spelled_otherwise_is_the_same_patient(running: WholeService) -> None:
    running.open_case("c-order")
    patient = {"identifier": {"value": "P-100", "system": "urn:example:hospital:patients"}}
    running.open_case("c-order", patient=patient, location="Ward 5")
