"""Good bodies changed at random: never a fault, and whatever is accepted makes resources that pass the check."""

from __future__ import annotations

import copy
import json
from typing import Any

import httpx
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.checking.check_resource import check_resource
from tests.support.whole_service import WholeService, read_example
from tests.support.write_goldens import kind_examples

ANY_JSON = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(max_size=20)
    | st.sampled_from(
        ["", "\x00", "\ud800", "é" * 300, "2031-03-02T10:00:00Z", "mg", "D-3", "asystole", 0, -1, 1e300]
    ),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=12), inner, max_size=3),
    max_leaves=6,
)
EVENTS = [json.loads(json.dumps(event)) for event in kind_examples().values()]
EVENTS += json.loads(json.dumps(read_example("demo/events.json")))
CASES = [json.loads(json.dumps(read_example(f"{name}/case.json"))) for name in ("demo", "paediatric", "pacing")]
CHECK = json.loads(json.dumps(read_example("device-check/check.json")))
QUIET = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


def _places(value: Any) -> list[tuple[Any, Any]]:
    """Return every container in a value with each of its keys."""
    if isinstance(value, dict):
        own: list[tuple[Any, Any]] = [(value, name) for name in value]
    elif isinstance(value, list):
        own = [(value, number) for number in range(len(value))]
    else:
        return []
    return own + [place for container, key in own for place in _places(container[key])]


@st.composite
def mutants(draw: st.DrawFn, good: list[Any]) -> Any:
    """Draw a good body in which one to three members were dropped, replaced or added."""
    body = copy.deepcopy(draw(st.sampled_from(good)))
    for _ in range(draw(st.integers(1, 3))):
        places = _places(body)
        if not places:
            return draw(ANY_JSON)
        container, key = draw(st.sampled_from(places))
        match draw(st.sampled_from(["drop", "replace", "add"])):
            case "drop":
                del container[key]
            case "replace":
                container[key] = draw(ANY_JSON)
            case "add" if isinstance(container, dict):
                container[draw(st.text(max_size=12) | st.sampled_from(["note", "device", "clock"]))] = draw(
                    ANY_JSON
                )
            case "add":
                container.append(draw(ANY_JSON))
    return body


def _send(service: WholeService, method: str, path: str, body: Any) -> httpx.Response:
    answer = service.send_bytes(method, path, json.dumps(body).encode())
    assert answer.status_code < 500, f"{answer.text}\n{json.dumps(body)}"
    if answer.status_code >= 400:
        assert answer.json()["problems"]
    return answer


def _assert_valid(service: WholeService, references: list[str]) -> None:
    for reference in references:
        findings = check_resource(service.stored_resource(reference))
        assert [str(finding) for finding in findings if finding.severity == "error"] == []


@pytest.fixture(scope="module", autouse=True)
def opened(running: WholeService) -> None:
    running.open_case("c-any")
    running.send("PUT", "/v1/devices/D-any", read_example("device-check/device.json"))


@QUIET
@given(mutants(EVENTS))
def test_an_event_changed_at_random(running: WholeService, body: Any) -> None:
    answer = _send(running, "POST", "/v1/cases/c-any/events", body)
    if answer.status_code == 201:
        _assert_valid(running, answer.json()["resources"])
    elif answer.status_code == 207:
        for outcome in answer.json()["outcomes"]:
            _assert_valid(running, outcome.get("resources", []))


@QUIET
@given(mutants([EVENTS[:4]]))
def test_an_array_of_events_changed_at_random(running: WholeService, body: Any) -> None:
    answer = _send(running, "POST", "/v1/cases/c-any/events", body)
    if answer.status_code == 207:
        assert len(answer.json()["outcomes"]) == len(body)


@QUIET
@given(mutants(CASES), st.integers(0, 30))
def test_a_case_changed_at_random(running: WholeService, body: Any, number: int) -> None:
    case_id = f"c-any-{number}"
    answer = _send(running, "PUT", f"/v1/cases/{case_id}", body)
    if answer.status_code in (200, 201):
        for resource in running.resources(case_id):
            assert [str(one) for one in check_resource(resource) if one.severity == "error"] == []


@QUIET
@given(mutants([CHECK]))
def test_a_check_changed_at_random(running: WholeService, body: Any) -> None:
    answer = _send(running, "POST", "/v1/devices/D-any/checks", body)
    if answer.status_code == 201:
        _assert_valid(running, answer.json()["resources"])


@QUIET
@given(mutants([*EVENTS, {"case": CASES[0], "events": EVENTS[:3]}]))
def test_a_preview_of_what_was_changed_at_random(running: WholeService, body: Any) -> None:
    answer = _send(running, "POST", "/v1/preview", body)
    if answer.status_code == 200:
        assert [one for one in answer.json()["findings"] if one["severity"] == "error"] == []


def test_what_was_accepted_of_all_that_reaches_the_endpoint(running: WholeService) -> None:
    running.wait_until_delivered()
    assert running.delivery_counts()["delivered"] > 0
