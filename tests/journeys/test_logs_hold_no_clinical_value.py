"""The log lines of the service hold ids, codes and paths, and nothing of what was done to whom."""

from __future__ import annotations

import io
import logging
import re
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import structlog

from service.making import check_made as check_module
from service.outbox import choose_batch
from service.outbox.batch import Batch
from service.records.finding import Finding
from tests.support.whole_service import WholeService, read_example, settings_in, whole_service

ALLOWED = {"D-3", "D-5", "device", "person"}
"""Values of events that may be logged: ids, and the two words for where an event comes from."""


@pytest.fixture
def lines() -> Iterator[io.StringIO]:
    """Return what every logger of the process writes, at every level."""
    captured = io.StringIO()
    handler = logging.StreamHandler(captured)
    root = logging.getLogger()
    level, before = root.level, structlog.get_config()
    root.addHandler(handler)
    root.setLevel(logging.NOTSET + 1)
    structlog.configure(logger_factory=structlog.PrintLoggerFactory(captured), cache_logger_on_first_use=False)
    yield captured
    structlog.configure(**before)
    root.setLevel(level)
    root.removeHandler(handler)


def _values(value: Any) -> Iterator[str]:
    """Yield every text and number with a fraction or three digits that stands in a body."""
    if isinstance(value, dict):
        for name, member in value.items():
            if name not in ("id", "kind", "unit", "dose_unit"):
                yield from _values(member)
    elif isinstance(value, list):
        for item in value:
            yield from _values(item)
    elif isinstance(value, str):
        yield value
    elif isinstance(value, float):
        yield str(value)


def _clinical_values() -> set[str]:
    bodies = [read_example("device-check/check.json"), read_example("demo/wrong-event.json")]
    for name in ("demo", "paediatric", "pacing"):
        bodies += [read_example(f"{name}/case.json"), read_example(f"{name}/events.json")]
    found = {value for body in bodies for value in _values(body)} - ALLOWED
    return {value for value in found if len(value) >= 4}


def _play(service: WholeService) -> None:
    service.post_device_check()
    for case_id, name in (("c-demo", "demo"), ("c-2", "paediatric"), ("c-3", "pacing")):
        service.post_case_example(name, case_id)
    service.post_event("c-demo", read_example("demo/wrong-event.json"))
    service.send_bytes("POST", "/v1/cases/c-demo/events", b'{"patient": "P-100", "agent": "epinephrine"')
    service.send("PUT", "/v1/cases/c-demo", {"patient": {"identifier": {"value": "P-100"}}})
    for path in ("timeline", "gaps", "fhir"):
        service.get(f"/v1/cases/c-demo/{path}")
    service.entries()
    service.wait_until_delivered()


def _assert_silent(text: str) -> None:
    leaked = [value for value in _clinical_values() if re.search(rf"(?<!\w){re.escape(value)}(?!\w)", text)]
    assert leaked == []


def test_the_examples_leave_no_clinical_value_in_any_log_line(tmp_path: Path, lines: io.StringIO) -> None:
    with whole_service(settings_in(tmp_path)) as service:
        _play(service)
    text = lines.getvalue()
    assert "destination_ready" in text, "the log of the service was not captured"
    _assert_silent(text)


def test_a_fault_is_logged_by_its_place_without_the_text_that_holds_what_was_sent(
    tmp_path: Path, lines: io.StringIO, monkeypatch: pytest.MonkeyPatch
) -> None:
    def raising_check(resource: dict[str, Any]) -> list[Finding]:
        raise ValueError(f"cannot check {resource}")

    with whole_service(settings_in(tmp_path)) as service:
        service.open_case("c-demo")
        monkeypatch.setattr(check_module, "check_resource", raising_check)
        for event in read_example("demo/events.json"):
            answer = service.post_event("c-demo", event)
            assert answer.status_code == 500
            assert answer.headers["content-type"] == "application/problem+json"
            assert [one["code"] for one in answer.json()["problems"]] == ["internal_fault"]
            _assert_silent(answer.text)
        monkeypatch.undo()
        service.take_event("c-demo", read_example("demo/events.json")[0])
        assert service.get("/v1/cases/c-demo")["events"] == 1
    text = lines.getvalue()
    assert "fault" in text
    assert "test_logs_hold_no_clinical_value.py" in text
    _assert_silent(text)


def test_a_fault_in_the_delivery_is_logged_without_what_was_to_be_sent(
    tmp_path: Path, lines: io.StringIO, monkeypatch: pytest.MonkeyPatch
) -> None:
    def raising_load(*arguments: object, **named: object) -> Batch:
        raise ValueError(f"cannot load {read_example('demo/events.json')}")

    monkeypatch.setattr(choose_batch, "load_batch", raising_load)
    with whole_service(settings_in(tmp_path)) as service:
        service.post_case_example("demo", "c-demo")
        deadline = time.monotonic() + 10
        while "delivery_lane_failed" not in lines.getvalue():
            assert time.monotonic() < deadline, "the failure was not logged"
            time.sleep(0.02)
    _assert_silent(lines.getvalue())
