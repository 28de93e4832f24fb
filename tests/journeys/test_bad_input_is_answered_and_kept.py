"""Whatever is wrong with a request is said, all at once, with what would be right; and what was sent is kept."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import httpx
import pytest

from service.exact_json import ExactNumber, write_json
from tests.support.whole_service import WholeService, read_example

AT = "2031-03-02T10:02:05+01:00"
SHOCK: dict[str, Any] = {"id": "b-1", "kind": "shock_delivered", "at": AT, "energy_selected_joules": 200}
DRUG: dict[str, Any] = {"id": "b-1", "kind": "medication_given", "at": AT, "agent": "epinephrine", "dose_value": 1}
RHYTHM: dict[str, Any] = {"id": "b-1", "kind": "rhythm_assessed", "at": AT, "rhythm": "ventricular_fibrillation"}
PACING: dict[str, Any] = {"id": "b-1", "kind": "pacing_started", "at": AT}
VITALS: dict[str, Any] = {"id": "b-1", "kind": "vital_signs", "at": AT}
EVENTS = "/v1/cases/c-bad/events"


@pytest.fixture(scope="module", autouse=True)
def opened(running: WholeService) -> None:
    running.open_case("c-bad")
    running.send("PUT", "/v1/devices/D-bad", read_example("device-check/device.json"))


WRONG: dict[str, tuple[dict[str, Any], list[tuple[str, str]]]] = {
    "a field that is not known": ({**SHOCK, "energy_joules": 200}, [("unknown_field", "/energy_joules")]),
    "a field of another kind": ({**SHOCK, "rhythm": "asystole"}, [("unknown_field", "/rhythm")]),
    "a text for a number": (
        {**SHOCK, "energy_selected_joules": "200"},
        [("wrong_type", "/energy_selected_joules")],
    ),
    "a number for a text": ({**SHOCK, "note": 5}, [("wrong_type", "/note")]),
    "true for a number": ({**SHOCK, "energy_selected_joules": True}, [("wrong_type", "/energy_selected_joules")]),
    "a list for an object": ({**SHOCK, "recorded_by": []}, [("wrong_type", "/recorded_by")]),
    "a fraction for a whole number": ({**SHOCK, "shock_number": 1.5}, [("wrong_type", "/shock_number")]),
    "no id": ({"kind": "remark", "at": AT}, [("missing_required", "/id")]),
    "no time": ({"id": "b-1", "kind": "remark"}, [("missing_required", "/at")]),
    "no kind": ({"id": "b-1", "at": AT}, [("missing_required", "/kind")]),
    "null for what is required": ({**SHOCK, "at": None}, [("missing_required", "/at")]),
    "a kind that is not known": ({**SHOCK, "kind": "shock"}, [("unknown_kind", "/kind")]),
    "a kind that is no text": ({**SHOCK, "kind": ["shock_delivered"]}, [("unknown_kind", "/kind")]),
    "a time without offset": ({**SHOCK, "at": "2031-03-02T10:02:05"}, [("time_without_offset", "/at")]),
    "a day that does not exist": ({**SHOCK, "at": "2031-02-30T10:02:05+01:00"}, [("wrong_form", "/at")]),
    "a second that does not exist": ({**SHOCK, "at": "2031-03-02T10:02:60+01:00"}, [("wrong_form", "/at")]),
    "a time as a number": ({**SHOCK, "at": 1930000000}, [("wrong_type", "/at")]),
    "a word that is not on the list": ({**RHYTHM, "rhythm": "vf"}, [("unknown_code", "/rhythm")]),
    "a number for a word": ({**RHYTHM, "rhythm": 7}, [("wrong_type", "/rhythm")]),
    "micrograms that are not UCUM": ({**DRUG, "dose_unit": "mcg"}, [("unit_not_ucum", "/dose_unit")]),
    "mercury that is not UCUM": (
        {**VITALS, "etco2": {"value": 18, "unit": "mmHg"}},
        [("unit_not_ucum", "/etco2/unit")],
    ),
    "a unit that measures something else": (
        {**VITALS, "etco2": {"value": 18, "unit": "mg"}},
        [("unit_not_taken", "/etco2/unit")],
    ),
    "no energy at all": ({**SHOCK, "energy_selected_joules": 0}, [("impossible_value", "/energy_selected_joules")]),
    "more energy than there is": (
        {**SHOCK, "energy_selected_joules": 361},
        [("impossible_value", "/energy_selected_joules")],
    ),
    "more current than there is": (
        {**PACING, "output_milliamperes": 201},
        [("impossible_value", "/output_milliamperes")],
    ),
    "more than all of the oxygen": ({**VITALS, "spo2_percent": 101}, [("impossible_value", "/spo2_percent")]),
    "a whole number without end": (
        {**SHOCK, "energy_selected_joules": ExactNumber("1" + "0" * 40)},
        [("impossible_value", "/energy_selected_joules")],
    ),
    "ventricular fibrillation that is not shockable": (
        {**RHYTHM, "shockable": False},
        [("contradiction", "/shockable")],
    ),
    "an id of 65 characters": ({**SHOCK, "id": "x" * 65}, [("wrong_form", "/id")]),
    "an empty id": ({**SHOCK, "id": ""}, [("wrong_form", "/id")]),
    "an id of spaces": ({**SHOCK, "id": "   "}, [("wrong_form", "/id")]),
    "a device of 65 characters": ({**SHOCK, "device": "x" * 65}, [("wrong_form", "/device")]),
    "several things": (
        {"id": "b-1", "kind": "shock_delivered", "at": "2031-03-02T10:02:05", "energy_selected_joules": 0, "x": 1},
        [("impossible_value", "/energy_selected_joules"), ("time_without_offset", "/at"), ("unknown_field", "/x")],
    ),
}


def _problems(answer: httpx.Response) -> list[tuple[str, str]]:
    assert answer.headers["content-type"] == "application/problem+json"
    body = answer.json()
    assert body["status"] == answer.status_code
    assert {"type", "title", "status", "detail", "problems"} == set(body)
    for problem in body["problems"]:
        assert problem["message"]
        assert problem["expected"], problem
    return sorted((problem["code"], problem["pointer"]) for problem in body["problems"])


@pytest.mark.parametrize("name", WRONG)
def test_what_is_wrong_with_an_event_is_said_and_what_was_sent_is_kept(running: WholeService, name: str) -> None:
    event, expected = WRONG[name]
    answer = running.post_event("c-bad", event)
    assert answer.status_code == 422
    assert _problems(answer) == expected
    assert running.received(running.newest_refusal()["number"]) == write_json(event)


@pytest.mark.parametrize("name", WRONG)
def test_a_problem_never_repeats_a_value_that_was_sent(running: WholeService, name: str) -> None:
    event, _ = WRONG[name]
    answer = running.post_event("c-bad", {**event, "note": "Unrepeatable."})
    assert "Unrepeatable" not in answer.text


def test_an_event_of_an_unknown_case_is_refused_and_kept(running: WholeService) -> None:
    answer = running.post_event("c-none", SHOCK)
    assert answer.status_code == 404
    assert _problems(answer) == [("unknown_case", "")]
    assert running.received(running.newest_refusal()["number"]) == write_json(SHOCK)


UNREADABLE = {
    "broken JSON": b'{"id": "b-1",',
    "two values": b'{"id": "b-1"} {"id": "b-2"}',
    "a name that stands twice": b'{"id": "b-1", "kind": "remark", "id": "b-2"}',
    "a name that stands twice deep inside": b'{"id": "b-1", "recorded_by": {"role": "a", "role": "b"}}',
    "NaN": b'{"id": "b-1", "energy_selected_joules": NaN}',
    "Infinity": b'{"id": "b-1", "energy_selected_joules": -Infinity}',
    "a number beyond any double": b'{"id": "b-1", "energy_selected_joules": 1e999}',
    "deep nesting": b"[" * 100_000 + b"]" * 100_000,
    "deep nesting of objects": b'{"a":' * 50_000 + b"1" + b"}" * 50_000,
    "not UTF-8": b'{"id": "b-\xff"}',
    "UTF-16": '{"id": "b-1"}'.encode("utf-16"),
    "an empty body": b"",
    "only spaces": b"   \n",
    "half a surrogate pair": b'{"id": "b-1", "kind": "remark", "at": "' + AT.encode() + b'", "text": "\\ud800"}',
    "half a surrogate pair in a name": b'{"\\udc00": 1}',
    "a control character in a text": b'{"id": "b\n1"}',
}


@pytest.mark.parametrize("name", UNREADABLE)
@pytest.mark.parametrize(
    ("method", "path"),
    [
        ("POST", EVENTS),
        ("PUT", "/v1/cases/c-new"),
        ("PUT", "/v1/devices/D-new"),
        ("POST", "/v1/devices/D-bad/checks"),
        ("PUT", f"{EVENTS}/b-1?reason=x"),
    ],
)
def test_a_body_that_is_no_json_is_refused_and_kept(
    running: WholeService, name: str, method: str, path: str
) -> None:
    answer = running.send_bytes(method, path, UNREADABLE[name])
    assert answer.status_code == 400
    assert _problems(answer) == [("broken_json", "")]
    assert running.received(running.newest_refusal()["number"]) == UNREADABLE[name]


def test_a_preview_refuses_a_body_that_is_no_json(running: WholeService) -> None:
    for body in UNREADABLE.values():
        assert _problems(running.send_bytes("POST", "/v1/preview", body)) == [("broken_json", "")]


NO_TEXT = ("\x00", "a\x00b", "\x07", "\x1b[31m")


@pytest.mark.parametrize("text", NO_TEXT, ids=repr)
@pytest.mark.parametrize("field", ["id", "note", "device", "clock", "text"])
def test_a_control_character_that_fhir_cannot_hold_is_refused(running: WholeService, text: str, field: str) -> None:
    event = {"id": "b-1", "kind": "remark", "at": AT, field: f"x{text}y"}
    answer = running.send_bytes("POST", EVENTS, json.dumps(event).encode())
    assert answer.status_code == 422, answer.text
    assert [pointer for _, pointer in _problems(answer)] == [f"/{field}"]
    assert running.received(running.newest_refusal()["number"]) == json.dumps(event).encode()


def test_a_body_over_the_limit_is_refused_and_its_beginning_is_kept(running: WholeService) -> None:
    limit = running.settings.body_max_bytes
    body = b'{"id": "' + b"x" * limit + b'"}'

    def in_chunks() -> Iterator[bytes]:
        for start in range(0, len(body), 65_536):
            yield body[start : start + 65_536]

    whole = running.send_bytes("POST", EVENTS, body)
    chunked = running.client.post(EVENTS, content=in_chunks(), headers={"Content-Type": "application/json"})
    for answer in (whole, chunked):
        assert answer.status_code == 413
        assert _problems(answer) == [("body_too_large", "")]
    assert running.received(running.newest_refusal()["number"]) == body[:limit]


@pytest.mark.parametrize("content_type", ["text/plain", "application/xml", "application/x-www-form-urlencoded", ""])
def test_a_body_that_is_not_said_to_be_json_is_refused_and_kept(running: WholeService, content_type: str) -> None:
    body = write_json(SHOCK)
    answer = running.client.post(EVENTS, content=body, headers={"Content-Type": content_type})
    assert answer.status_code == 415
    assert _problems(answer) == [("wrong_content_type", "")]
    assert running.received(running.newest_refusal()["number"]) == body


BAD_IDS = ("x" * 65, "%20x", "x%20", "a%00b", "a%0Ab", "%ED%A0%80%07")


@pytest.mark.parametrize("bad", BAD_IDS)
def test_an_address_whose_id_is_none_is_refused_with_what_an_id_is(running: WholeService, bad: str) -> None:
    for method, path in (
        ("PUT", f"/v1/cases/{bad}"),
        ("POST", f"/v1/cases/{bad}/events"),
        ("PUT", f"/v1/devices/{bad}"),
        ("POST", f"/v1/devices/{bad}/checks"),
        ("PUT", f"/v1/cases/c-bad/events/{bad}?reason=x"),
        ("DELETE", f"/v1/cases/c-bad/events/{bad}?reason=x"),
    ):
        answer = running.send("PUT" if method == "PUT" else method, path, SHOCK if method != "DELETE" else None)
        assert answer.status_code == 422, (method, path, answer.text)
        assert [code for code, _ in _problems(answer)] == ["wrong_parameter"]


@pytest.mark.parametrize("method_and_path", [("PUT", "/v1/cases/" + "x" * 65), ("PUT", f"{EVENTS}/b-1")])
def test_what_was_sent_to_a_wrong_address_or_without_a_reason_is_kept(
    running: WholeService, method_and_path: tuple[str, str]
) -> None:
    body = write_json({**SHOCK, "note": method_and_path[1][-20:]})
    answer = running.send_bytes(*method_and_path, body)
    assert [code for code, _ in _problems(answer)] == ["wrong_parameter"]
    assert running.received(running.newest_refusal()["number"]) == body


@pytest.mark.parametrize("path", ["/v1/cases/a%2Fb", "/v1/cases/a/b/c", "/v1/nothing", "/", "/v1", "/v1/cases/"])
def test_an_unknown_address_is_a_problem(running: WholeService, path: str) -> None:
    answer = running.send("PUT", path, SHOCK)
    assert answer.status_code in (404, 405), path
    assert [code for code, _ in _problems(answer)] in (["not_found"], ["method_not_allowed"])


def test_a_method_that_does_not_fit_is_a_problem_and_says_which_do(running: WholeService) -> None:
    for method, path in (("DELETE", "/v1/cases"), ("POST", "/v1/cases/c-bad"), ("PATCH", EVENTS)):
        answer = running.send(method, path)
        assert answer.status_code == 405
        assert _problems(answer) == [("method_not_allowed", "")]
        assert answer.headers["allow"]


UNKNOWN_PARAMETERS = (
    "/v1/deliveries?state=lost",
    "/v1/deliveries?limit=0",
    "/v1/deliveries?limit=many",
    "/v1/deliveries?after=-1",
    "/v1/deliveries/first/retry",
    "/v1/cases?limit=9999",
    "/v1/audit/entries?limit=0",
    "/v1/audit/entries?since=yesterday",
    "/v1/audit/entries?since=2031-03-02T10:00:00",
    "/v1/audit/entries?colour=red",
    "/v1/audit/gaps?group_by=colour",
    "/v1/audit/entries/first/received",
)


@pytest.mark.parametrize("path", UNKNOWN_PARAMETERS)
def test_a_parameter_that_cannot_be_read_is_a_problem(running: WholeService, path: str) -> None:
    answer = running.client.request("POST" if path.endswith("retry") else "GET", path)
    assert answer.status_code == 422, answer.text
    assert {code for code, _ in _problems(answer)} == {"wrong_parameter"}


HUGE = "9" * 30


@pytest.mark.parametrize(
    "path",
    [
        f"/v1/deliveries?after={HUGE}",
        f"/v1/audit/entries?after={HUGE}",
        f"/v1/audit/entries/{HUGE}/received",
        f"/v1/audit/entries/-{HUGE}/received",
        "/v1/cases?after=%00",
        "/v1/audit/entries?case_id=%00&since=2031-03-02T10:00:00Z",
        "/v1/cases/%F0%9F%98%80",
    ],
)
def test_odd_parameters_are_answered_and_never_a_fault(running: WholeService, path: str) -> None:
    answer = running.client.get(path)
    assert answer.status_code < 500, answer.text


def test_a_retry_of_a_number_beyond_the_database_is_no_fault(running: WholeService) -> None:
    assert running.send("POST", f"/v1/deliveries/{HUGE}/retry").status_code < 500


def test_everything_wrong_with_a_case_a_device_and_a_check_is_said_at_once(running: WholeService) -> None:
    case = {
        "patient": {"unidentified": True},
        "population": "grown",
        "weight_kilograms": 0,
        "started_at": "now",
        "x": 1,
    }
    assert _problems(running.send("PUT", "/v1/cases/c-wrong", case)) == [
        ("contradiction", "/patient"),
        ("impossible_value", "/weight_kilograms"),
        ("unknown_code", "/population"),
        ("unknown_field", "/x"),
        ("wrong_form", "/started_at"),
    ]
    device = {"type": "toaster", "check_interval_hours": 0, "colour": "red"}
    assert _problems(running.send("PUT", "/v1/devices/D-wrong", device)) == [
        ("impossible_value", "/check_interval_hours"),
        ("unknown_code", "/type"),
        ("unknown_field", "/colour"),
    ]
    check = {
        "id": "k-1",
        "checked_at": "2031-03-02T07:00:00",
        "items": {"battery": {"charge_percent": 101}, "a/b~c": {}, "self_test": {"result": "perhaps"}, "clock": 5},
    }
    assert _problems(running.send("POST", "/v1/devices/D-bad/checks", check)) == [
        ("impossible_value", "/items/battery/charge_percent"),
        ("time_without_offset", "/checked_at"),
        ("unknown_code", "/items/self_test/result"),
        ("unknown_field", "/items/a~1b~0c"),
        ("wrong_type", "/items/clock"),
    ]


def test_a_check_of_an_unknown_device_is_refused_and_kept(running: WholeService) -> None:
    check = read_example("device-check/check.json")
    answer = running.send("POST", "/v1/devices/D-none/checks", check)
    assert (answer.status_code, _problems(answer)) == (404, [("unknown_device", "")])
    assert running.received(running.newest_refusal()["number"]) == write_json(check)


def test_an_own_coding_or_text_that_is_none_is_refused_at_its_place(running: WholeService) -> None:
    for own in ({"text": ""}, {"text": "x", "code": "y"}, {"system": "no uri", "code": "x"}, {"code": "x"}, {}):
        answer = running.post_event("c-bad", {**RHYTHM, "rhythm": own})
        assert answer.status_code == 422
        assert {pointer.split("/")[1] for _, pointer in _problems(answer)} == {"rhythm"}
