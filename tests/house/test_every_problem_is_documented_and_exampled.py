"""Every problem code, provoked as a client would meet it, so that docs/problems.md tells of nothing imagined."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from starlette.types import Receive, Scope, Send

from service.making.check_made import check_made
from service.making.record_resource import in_record
from service.mapping.apply_mapping import MadeResource
from service.problems import Code, Invalid, Unavailable
from service.settings import AuthMode, Settings
from service.storage.store import Store
from service.web.application import CatchFaults
from service.web.authenticate import token_digest
from tests.house.repository import headings, page, section
from tests.support.whole_service import WholeService, read_example, settings_in, whole_service

NEVER_RAISED = {
    Code.DESTINATION_UNAVAILABLE: "no call needs the destination at once; deliveries wait by themselves"
}
MET_ELSEWHERE = {
    Code.NOT_AUTHENTICATED: "needs a service with tokens",
    Code.NOT_PERMITTED: "needs a service with tokens",
    Code.INVALID_RESOURCE: "needs a mapping that makes what R4 forbids; ours make none, whatever is sent",
    Code.STORE_UNAVAILABLE: "needs a store that cannot be opened",
    Code.INTERNAL_FAULT: "needs a mistake of ours",
}
"""Codes that tests of their own provoke, below."""

WARNINGS: dict[Code, dict[str, Any]] = {
    Code.UNMAPPED_VALUE: {"waveform": {"text": "triangular"}},
    Code.IMPLAUSIBLE: {"energy_delivered_joules": 40, "energy_selected_joules": 200},
}
"""Codes that refuse nothing, and what is taken with a warning of the code."""

AT = "2031-03-02T10:02:05+01:00"
TEXT = page("docs/problems.md")


def _event(service: WholeService, **fields: Any) -> httpx.Response:
    return service.post_event("c-problems", {"id": "e-wrong", "kind": "shock_delivered", "at": AT, **fields})


def _other_content(service: WholeService) -> httpx.Response:
    service.take_event("c-problems", {"id": "e-twice", "kind": "remark", "at": AT, "text": "one"})
    return service.post_event("c-problems", {"id": "e-twice", "kind": "remark", "at": AT, "text": "two"})


def _retracted(service: WholeService) -> httpx.Response:
    event = {"id": "e-gone", "kind": "remark", "at": AT, "text": "one"}
    service.take_event("c-problems", event)
    assert service.send("DELETE", "/v1/cases/c-problems/events/e-gone", reason="twice").status_code == 200
    return service.send("PUT", "/v1/cases/c-problems/events/e-gone", {**event, "text": "two"}, reason="late")


def _stale(service: WholeService) -> httpx.Response:
    case = {**read_example("demo/case.json"), "location": "Ward 9"}
    return service.client.put("/v1/cases/c-problems", json=case, headers={"If-Match": '"77"'})


def _not_held(service: WholeService) -> httpx.Response:
    (delivery,) = service.get("/v1/deliveries", limit="1")["deliveries"]
    return service.send("POST", f"/v1/deliveries/{delivery['id']}/retry")


def _sealed(service: WholeService) -> httpx.Response:
    case = {**read_example("demo/case.json"), "patient": {"unidentified": True, "label": "another"}}
    return service.send("PUT", "/v1/cases/c-problems", case)


PROVOCATIONS: dict[Code, Callable[[WholeService], httpx.Response]] = {
    Code.BROKEN_JSON: lambda service: service.send_bytes("PUT", "/v1/cases/c-problems", b"{"),
    Code.WRONG_CONTENT_TYPE: lambda service: service.client.put(
        "/v1/cases/c-problems", content=b"{}", headers={"Content-Type": "text/plain"}
    ),
    Code.BODY_TOO_LARGE: lambda service: service.send_bytes("PUT", "/v1/cases/c-problems", b" " * 1024 * 1025),
    Code.TOO_MANY_EVENTS: lambda service: service.send("POST", "/v1/cases/c-problems/events", [{}] * 501),
    Code.MISSING_REQUIRED: lambda service: _event(service, at=None),
    Code.UNKNOWN_FIELD: lambda service: _event(service, energy=200),
    Code.UNKNOWN_KIND: lambda service: _event(service, kind="shock"),
    Code.WRONG_TYPE: lambda service: _event(service, energy_selected_joules="200"),
    Code.WRONG_FORM: lambda service: _event(service, at="2031-02-30T10:02:05+01:00"),
    Code.TIME_WITHOUT_OFFSET: lambda service: _event(service, at="2031-03-02T10:02:05"),
    Code.UNKNOWN_CODE: lambda service: _event(service, waveform="triangular"),
    Code.UNIT_NOT_UCUM: lambda service: _event(
        service, kind="medication_given", agent="epinephrine", dose_value=1, dose_unit="milligram"
    ),
    Code.UNIT_NOT_TAKEN: lambda service: _event(service, kind="vital_signs", etco2={"value": 4, "unit": "mL"}),
    Code.IMPOSSIBLE_VALUE: lambda service: _event(service, energy_selected_joules=2000),
    Code.CONTRADICTION: lambda service: _event(service, electrodes="ecg_three_lead"),
    Code.UNKNOWN_CASE: lambda service: service.client.get("/v1/cases/c-nowhere"),
    Code.UNKNOWN_EVENT: lambda service: service.send("DELETE", "/v1/cases/c-problems/events/e-0", reason="no"),
    Code.UNKNOWN_DEVICE: lambda service: service.send(
        "POST", "/v1/devices/D-none/checks", read_example("device-check/check.json")
    ),
    Code.UNKNOWN_DELIVERY: lambda service: service.send("POST", "/v1/deliveries/99999/retry"),
    Code.UNKNOWN_ENTRY: lambda service: service.client.get("/v1/audit/entries/99999/received"),
    Code.NOT_FOUND: lambda service: service.client.get("/v1/nothing"),
    Code.METHOD_NOT_ALLOWED: lambda service: service.client.patch("/v1/cases/c-problems"),
    Code.WRONG_PARAMETER: lambda service: service.client.get("/v1/audit/entries?since=yesterday"),
    Code.OTHER_CONTENT: _other_content,
    Code.SEALED_FIELD: _sealed,
    Code.RETRACTED_EVENT: _retracted,
    Code.STALE_VERSION: _stale,
    Code.NOT_HELD: _not_held,
}


def _raised() -> list[Code]:
    return [code for code in Code if code not in NEVER_RAISED]


def test_every_code_has_its_section_in_the_order_of_the_code() -> None:
    assert headings(TEXT, 2) == [code.facts.code for code in Code]


@pytest.mark.parametrize("code", Code)
def test_the_section_of_a_code_says_title_status_kind_and_whether_a_retry_helps(code: Code) -> None:
    facts, text = code.facts, section(TEXT, code.facts.code)
    retry = "helps" if code.retry_helps else "does not help"
    assert f"*{facts.title}.* Status {facts.status}, {facts.kind.value}; a retry {retry}." in text
    assert "**What to do:**" in text


def test_every_code_is_provoked_here_but_those_that_the_service_cannot_raise() -> None:
    assert {*PROVOCATIONS, *MET_ELSEWHERE, *WARNINGS, *NEVER_RAISED} == set(Code)
    sources = "".join(file.read_text() for file in (Path(__file__).parents[2] / "service").rglob("*.py"))
    unused = {code for code in Code if not re.search(rf"\bCode\.{code.name}\b", sources)}
    assert unused == set(NEVER_RAISED)


@pytest.fixture(scope="module")
def with_case(running: WholeService) -> WholeService:
    running.open_case("c-problems")
    return running


@pytest.mark.parametrize("code", PROVOCATIONS, ids=lambda code: code.facts.code)
def test_a_client_that_provokes_a_problem_meets_its_code_and_status(code: Code, with_case: WholeService) -> None:
    answer = PROVOCATIONS[code](with_case)
    body = answer.json()
    assert answer.headers["content-type"] == "application/problem+json"
    assert answer.status_code == body["status"] == code.facts.status, answer.text
    assert body["title"] == code.facts.title
    assert {problem["code"] for problem in body["problems"]} == {code.facts.code}, answer.text
    assert all(problem["message"] and problem["expected"] for problem in body["problems"])


@pytest.mark.parametrize("code", WARNINGS, ids=lambda code: code.facts.code)
def test_a_warning_refuses_nothing_and_says_where_it_is_due(code: Code, with_case: WholeService) -> None:
    fields = WARNINGS[code]
    event = {"id": f"e-{code.facts.code}", "kind": "shock_delivered", "at": AT, **fields}
    (warning,) = with_case.take_event("c-problems", event)["warnings"]
    assert warning["code"] == code.facts.code
    assert warning["pointer"] == f"/{next(iter(fields))}"


@pytest.fixture
def with_tokens(tmp_path: Path) -> Iterator[WholeService]:
    file = tmp_path / "tokens.yaml"
    file.write_text(f"- {{name: auditor, scopes: [audit], sha256: {token_digest('secret')}}}\n")
    given = settings_in(tmp_path).model_dump()
    with whole_service(Settings(**{**given, "auth": AuthMode.TOKENS, "tokens": file})) as service:
        yield service


def test_a_caller_without_a_token_or_without_the_scope_is_told_so(with_tokens: WholeService) -> None:
    case = read_example("demo/case.json")
    answer = with_tokens.send("PUT", "/v1/cases/c-1", case)
    assert (answer.status_code, answer.json()["problems"][0]["code"]) == (401, "not_authenticated")
    assert answer.headers["www-authenticate"] == "Bearer"
    with_tokens.client.headers["Authorization"] = "Bearer secret"
    answer = with_tokens.send("PUT", "/v1/cases/c-1", case)
    assert (answer.status_code, answer.json()["problems"][0]["code"]) == (403, "not_permitted")
    assert with_tokens.client.get("/v1/audit/seal").status_code == 200


def test_a_resource_that_breaks_r4_is_refused_with_the_mapping_line_and_the_rule() -> None:
    body = {"resourceType": "Procedure", "id": "p-1", "status": "done", "subject": {"reference": "Patient/p-1"}}
    made = MadeResource("Procedure", "p-1", "shock", "events/shock_delivered.yaml#shock", body)
    with pytest.raises(Invalid) as caught:
        check_made(in_record([made], "event:c-1/e-1"))
    (problem,) = caught.value.problems
    assert problem.code is Code.INVALID_RESOURCE
    assert caught.value.status == 422
    assert "Procedure.status" in problem.message
    assert problem.rule is not None
    assert problem.rule.startswith("events/shock_delivered.yaml#shock ")


def test_a_store_that_cannot_be_opened_is_unavailable_and_a_retry_can_help(tmp_path: Path) -> None:
    with pytest.raises(Unavailable) as caught:
        Store(tmp_path / "no-such-folder" / "store.sqlite").open()
    (problem,) = caught.value.problems
    assert problem.code is Code.STORE_UNAVAILABLE
    assert caught.value.status == 503
    assert problem.code.retry_helps


def test_a_mistake_of_ours_is_answered_without_its_text() -> None:
    async def mistaken(_scope: Scope, _receive: Receive, _send: Send) -> None:
        raise LookupError("the patient's name")

    async def ask() -> httpx.Response:
        transport = httpx.ASGITransport(CatchFaults(mistaken))
        async with httpx.AsyncClient(transport=transport, base_url="http://service.example") as client:
            return await client.get("/")

    answer = asyncio.run(ask())
    assert answer.status_code == 500
    assert answer.json()["problems"][0]["code"] == Code.INTERNAL_FAULT.facts.code
    assert "patient" not in answer.text
