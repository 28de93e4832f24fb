"""Whatever happens leaves an entry: what was taken, repeated, refused, corrected, made, tried and read."""

from __future__ import annotations

import hashlib
from itertools import groupby, pairwise
from typing import Any

import pytest

from service.exact_json import read_json, write_json
from tests.support.whole_service import NOW, WholeService, read_example

REMARK: dict[str, Any] = {"id": "e-1", "kind": "remark", "at": "2031-03-02T10:00:00+01:00", "text": "Begun."}


def _actions(service: WholeService, **wanted: str) -> list[str]:
    return [entry["action"] for entry in service.entries(**wanted)]


def test_the_life_of_an_event_can_be_read_from_the_log(running: WholeService) -> None:
    running.open_case("c-life")
    running.take_event("c-life", REMARK)
    running.wait_until_delivered()
    running.post_event("c-life", REMARK)
    running.send("PUT", "/v1/cases/c-life/events/e-1", {**REMARK, "text": "Begun late."}, reason="typing")
    running.wait_until_delivered()
    running.send("DELETE", "/v1/cases/c-life/events/e-1", reason="wrong case")
    running.wait_until_delivered()
    subject = "event:c-life/e-1"
    assert _actions(running, case_id="c-life", subject=subject) == [
        "event-taken",
        "duplicate",
        "event-corrected",
        "event-retracted",
    ]
    assert {"attempt", "outcome"} <= set(_actions(running, case_id="c-life", subject="lane:case:c-life"))


def test_cases_devices_and_checks_are_logged_with_what_was_made_of_them(running: WholeService) -> None:
    running.open_case("c-log")
    running.open_case("c-log", location="Ward 9")
    running.post_device_check("D-log")
    steps = [action for action, _ in groupby(_actions(running, subject="case:c-log"))]
    assert steps == ["case-taken", "case-amended"]
    assert _actions(running, subject="device:D-log") == ["device-taken"]
    assert _actions(running, subject="check:D-log/k-1") == ["check-taken"]


def test_the_entry_of_an_event_holds_the_hash_of_every_resource_as_it_is_kept(running: WholeService) -> None:
    running.open_case("c-hash")
    answer = running.take_event("c-hash", REMARK)
    (entry,) = running.entries(action="event-taken", subject="event:c-hash/e-1")
    assert list(entry["detail"]["resources"]) == answer["resources"]
    for reference, digest in entry["detail"]["resources"].items():
        assert hashlib.sha256(write_json(running.stored_resource(reference))).hexdigest() == digest


def test_an_attempt_holds_the_hash_of_the_bytes_that_were_sent(running: WholeService) -> None:
    running.open_case("c-bytes")
    running.wait_until_delivered()
    attempts = running.entries(action="attempt", case_id="c-bytes")
    assert attempts
    for attempt in attempts:
        ((body,),) = running.rows("SELECT body FROM batches WHERE batch_id = ?", int(attempt["detail"]["batch"]))
        assert hashlib.sha256(body).hexdigest() == attempt["detail"]["body_hash"]


BODIES = {
    "broken": b'{"id": "e-1", \n "kind": ',
    "not UTF-8": b'{"id": "e-1", "note": "\xff\xfe"}',
    "with odd whitespace": b'\r\n{  "id":"e-1","kind":"remark",\t"at":"yesterday" }\n',
    "empty": b"",
    "with a zero byte": b'{"id": "e-1\x00"}',
}


@pytest.mark.parametrize("name", BODIES)
def test_a_refused_body_is_read_back_byte_for_byte(running: WholeService, name: str) -> None:
    running.open_case("c-bytes-back")
    answer = running.send_bytes("POST", "/v1/cases/c-bytes-back/events", BODIES[name])
    assert 400 <= answer.status_code < 500
    entry = running.newest_refusal()
    assert running.received(entry["number"]) == BODIES[name]
    assert entry["detail"]["body_sha256"] == hashlib.sha256(BODIES[name]).hexdigest()
    assert [one["code"] for one in entry["detail"]["problems"]] == [
        one["code"] for one in answer.json()["problems"]
    ]


def test_every_reading_of_the_log_is_itself_logged(running: WholeService) -> None:
    before = running.entries()[-1]["number"]
    for path in ("/v1/audit/entries", "/v1/audit/gaps", "/v1/audit/seal", "/v1/audit/entries/999999/received"):
        running.client.get(path)
    read = [entry for entry in running.entries() if entry["number"] > before and entry["action"] == "audit-read"]
    assert [entry["subject"] for entry in read][-4:] == [
        "audit/entries",
        "audit/gaps",
        "audit/seal",
        "audit/received",
    ]
    assert {entry["actor"] for entry in read} == {"local"}


def test_entries_are_filtered_by_every_member_that_can_be_asked_for(running: WholeService) -> None:
    running.open_case("c-filter")
    running.take_event("c-filter", REMARK)
    assert {entry["case_id"] for entry in running.entries(case_id="c-filter")} == {"c-filter"}
    assert {entry["action"] for entry in running.entries(action="event-taken")} == {"event-taken"}
    assert {entry["outcome"] for entry in running.entries(outcome="accepted")} == {"accepted"}
    assert {entry["actor"] for entry in running.entries(actor="local")} == {"local"}
    assert running.entries(actor="nobody") == []
    now = NOW.isoformat()
    assert running.entries(until=now) == []
    assert len(running.entries(since=now)) > 0


def test_the_log_holds_no_clinical_value(fresh: WholeService) -> None:
    fresh.post_device_check()
    fresh.post_case_example("demo", "c-demo")
    fresh.post_event("c-demo", {**REMARK, "id": "x", "words": "remarkable"})
    fresh.wait_until_delivered()
    text = write_json([entry["detail"] for entry in fresh.entries()]).decode()
    for word in ("epinephrine", "ventricular_fibrillation", "R. Example", "P-100", "187.5", "antecubital"):
        assert word not in text
    assert "Ward 4" not in text


def test_the_chain_holds_from_the_first_entry_to_the_seal(fresh: WholeService) -> None:
    fresh.post_case_example("paediatric", "c-paediatric")
    entries = fresh.entries()
    assert [entry["number"] for entry in entries] == list(range(1, len(entries) + 1))
    assert entries[0]["previous_hash"] == "0" * 64
    for earlier, later in pairwise(entries):
        assert later["previous_hash"] == earlier["hash"]
    seal = fresh.get("/v1/audit/seal")
    (sealed,) = fresh.get("/v1/audit/entries", after=str(seal["number"] - 1), limit="1")["entries"]
    assert sealed["hash"] == seal["hash"]


def test_an_auditor_can_recompute_the_hash_of_an_entry_from_what_the_api_shows(running: WholeService) -> None:
    running.open_case("c-recompute")
    for entry in running.entries(case_id="c-recompute"):
        detail = write_json(dict(sorted(entry["detail"].items()))).decode()
        members = [
            entry["number"],
            entry["recorded_at"],
            entry["action"],
            entry["actor"],
            entry["case_id"],
            entry["subject"],
            entry["outcome"],
            detail,
            entry["previous_hash"],
        ]
        assert hashlib.sha256(write_json(members)).hexdigest() == entry["hash"]


def test_the_examples_of_the_demonstration_leave_as_many_entries_as_records(fresh: WholeService) -> None:
    fresh.post_case_example("demo", "c-demo")
    taken = _actions(fresh, case_id="c-demo", action="event-taken")
    assert len(taken) == len(read_example("demo/events.json"))
    wrong = read_example("demo/wrong-event.json")
    assert fresh.post_event("c-demo", wrong).status_code == 422
    assert read_json(fresh.received(fresh.newest_refusal()["number"])) == wrong
