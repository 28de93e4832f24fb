"""A client that names the version it has changed cannot undo, with a call that comes late, what came after it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from tests.support.whole_service import WholeService, read_example, settings_in, whole_service

EVENT = "/v1/cases/c-1/events/e-1?reason=typing"
REMARK: dict[str, Any] = {"id": "e-1", "kind": "remark", "at": "2031-03-02T10:00:00+01:00", "text": "Begun."}


@pytest.fixture
def service(tmp_path: Path) -> Iterator[WholeService]:
    with whole_service(settings_in(tmp_path)) as running:
        running.open_case("c-1")
        running.take_event("c-1", REMARK)
        yield running


def _put(service: WholeService, path: str, body: Any, if_match: str | None = None) -> httpx.Response:
    return service.client.put(path, json=body, headers={"If-Match": if_match} if if_match is not None else {})


def _problem(answer: httpx.Response) -> tuple[int, str]:
    return answer.status_code, answer.json()["problems"][0]["code"]


def _says(service: WholeService, text: str) -> bool:
    """Return whether the chart would say this of the remark."""
    return f'"{text}"' in service.client.get("/v1/cases/c-1/fhir").text


def test_a_correction_that_comes_late_is_refused_kept_and_undoes_nothing(service: WholeService) -> None:
    second, third = {**REMARK, "text": "Begun at ten."}, {**REMARK, "text": "Begun at five past ten."}
    # The first call for `second` is given up by the client and still on its way; it is sent again and answered.
    repeated = _put(service, EVENT, second, '"1"')
    assert (repeated.status_code, repeated.json()["version"], repeated.headers["etag"]) == (200, 2, '"2"')
    corrected = _put(service, EVENT, third, repeated.headers["etag"])
    assert (corrected.status_code, corrected.headers["etag"]) == (200, '"3"')
    late = _put(service, EVENT, second, '"1"')
    assert _problem(late) == (412, "stale_version")
    assert late.json()["problems"][0]["message"] == "the newest version is 3"
    assert _says(service, "Begun at five past ten.")
    refusals = service.get("/v1/audit/entries", action="refused")["entries"]
    assert refusals[-1]["subject"] == "event:c-1/e-1"
    kept = service.client.get(f"/v1/audit/entries/{refusals[-1]['number']}/received")
    assert "Begun at ten." in kept.text


def test_a_call_that_is_repeated_finds_what_it_has_done_itself(service: WholeService) -> None:
    second = {**REMARK, "text": "Begun at ten."}
    assert _put(service, EVENT, second, '"1"').status_code == 200
    again = _put(service, EVENT, second, '"1"')
    assert (again.status_code, again.json()["outcome"], again.headers["etag"]) == (200, "duplicate", '"2"')


def test_without_the_header_the_call_that_comes_last_stands(service: WholeService) -> None:
    for text in ("Begun at ten.", "Begun at five past ten.", "Begun at ten."):
        assert _put(service, EVENT, {**REMARK, "text": text}).status_code == 200
    assert _says(service, "Begun at ten.")


@pytest.mark.parametrize("any_version", ['"1"', 'W/"1"', "*"])
def test_what_matches_is_taken(service: WholeService, any_version: str) -> None:
    assert _put(service, EVENT, {**REMARK, "text": "Begun at ten."}, any_version).status_code == 200


@pytest.mark.parametrize("unreadable", ["1", '"x"', '"0"', '"1", "2"', ""])
def test_a_header_that_cannot_be_read_changes_nothing(service: WholeService, unreadable: str) -> None:
    answer = _put(service, EVENT, {**REMARK, "text": "Begun at ten."}, unreadable)
    assert _problem(answer) == (422, "wrong_parameter")
    assert _says(service, "Begun.")


def test_an_event_is_marked_as_entered_in_error_only_as_it_was_seen(service: WholeService) -> None:
    assert _put(service, EVENT, {**REMARK, "text": "Begun at ten."}).status_code == 200
    late = service.client.delete(EVENT, headers={"If-Match": '"1"'})
    assert _problem(late) == (412, "stale_version")
    seen = service.client.delete(EVENT, headers={"If-Match": '"2"'})
    assert (seen.status_code, seen.json()["outcome"], seen.headers["etag"]) == (200, "entered_in_error", '"3"')
    assert service.client.delete(EVENT, headers={"If-Match": '"2"'}).json()["outcome"] == "duplicate"


def test_a_case_is_amended_only_as_it_was_read(service: WholeService) -> None:
    read = service.client.get("/v1/cases/c-1")
    amended = {**read_example("demo/case.json"), "location": "Ward 9"}
    assert _problem(_put(service, "/v1/cases/c-1", amended, '"2"')) == (412, "stale_version")
    assert _put(service, "/v1/cases/c-1", amended, read.headers["etag"]).headers["etag"] == '"2"'
    assert _put(service, "/v1/cases/c-1", amended, read.headers["etag"]).status_code == 200
    assert _problem(_put(service, "/v1/cases/c-2", amended, '"1"')) == (412, "stale_version")
    assert service.client.get("/v1/cases/c-2").status_code == 404


def test_a_device_is_amended_only_as_it_was_read(service: WholeService) -> None:
    device = {"type": "defibrillator", "serial": "SN-1"}
    assert _problem(_put(service, "/v1/devices/D-1", device, '"1"')) == (412, "stale_version")
    registered = _put(service, "/v1/devices/D-1", device)
    assert (registered.status_code, registered.headers["etag"]) == (201, '"1"')
    amended = _put(service, "/v1/devices/D-1", {**device, "location": "Ward 9"}, '"1"')
    assert (amended.status_code, amended.headers["etag"]) == (200, '"2"')
    assert _problem(_put(service, "/v1/devices/D-1", device, '"1"')) == (412, "stale_version")
