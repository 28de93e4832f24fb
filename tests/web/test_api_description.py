"""The API description is true: every body has an example that is taken, and every answer comes as it says."""

from __future__ import annotations

from typing import Any

import pytest

from service.problems import Code
from service.records.references import references_in
from tests.support.whole_service import WholeService


@pytest.fixture(scope="module")
def described(running: WholeService) -> dict[str, Any]:
    description: dict[str, Any] = running.get("/openapi.json")
    return description


def _calls(described: dict[str, Any]) -> dict[tuple[str, str], dict[str, Any]]:
    return {(method, path): call for path, calls in described["paths"].items() for method, call in calls.items()}


def test_the_document_has_what_openapi_3_1_requires(described: dict[str, Any]) -> None:
    assert described["openapi"].startswith("3.1")
    assert {"title", "version"} <= set(described["info"])
    operation_ids = [call["operationId"] for call in _calls(described).values()]
    assert len(operation_ids) == len(set(operation_ids))
    for (method, path), call in _calls(described).items():
        assert call["responses"], (method, path)
        assert call["summary"], (method, path)
        assert all(response["description"] for response in call["responses"].values()), (method, path)
        in_path = {part[1:-1] for part in path.split("/") if part.startswith("{")}
        named = {one["name"] for one in call.get("parameters", []) if one["in"] == "path"}
        assert in_path == named, (method, path)
        assert all(one["required"] for one in call.get("parameters", []) if one["in"] == "path")


def test_every_call_of_the_api_says_which_scopes_are_enough(described: dict[str, Any]) -> None:
    assert described["components"]["securitySchemes"]["token"]["scheme"] == "bearer"
    needed = {key: [one["token"] for one in call.get("security", ())] for key, call in _calls(described).items()}
    assert needed["put", "/v1/cases/{case_id}"] == [["record"]]
    assert needed["get", "/v1/cases/{case_id}/timeline"] == [["record", "integrate", "audit"]]
    assert needed["post", "/v1/deliveries/{delivery_id}/retry"] == [["integrate"]]
    assert needed["get", "/v1/audit/entries"] == [["audit"]]
    open_to_all = {path for (_, path), scopes in needed.items() if not scopes}
    assert open_to_all == {"/.well-known/jwks.json", "/health/live", "/health/ready", "/metrics"}


def _schema_references(value: Any) -> set[str]:
    if isinstance(value, dict):
        own = {value["$ref"]} if isinstance(value.get("$ref"), str) else set()
        return own.union(*(_schema_references(member) for member in value.values()))
    if isinstance(value, list):
        return set().union(*(_schema_references(item) for item in value))
    return set()


def test_every_schema_that_is_referred_to_is_there(described: dict[str, Any]) -> None:
    there = {f"#/components/schemas/{name}" for name in described["components"]["schemas"]}
    assert _schema_references(described) <= there
    mapping = described["components"]["schemas"]["Event"]["discriminator"]["mapping"]
    assert set(mapping.values()) <= there
    assert not set(references_in(described))


def test_every_call_that_takes_a_body_says_so_and_every_call_says_how_it_refuses(described: dict[str, Any]) -> None:
    for (method, path), call in _calls(described).items():
        takes = method in ("put", "post") and not path.endswith(("/retry", "/discard"))
        assert ("requestBody" in call) == takes, (method, path)
        if takes:
            assert "example" in call["requestBody"]["content"]["application/json"], (method, path)
        if path.startswith("/v1"):
            assert "application/problem+json" in call["responses"]["default"]["content"], (method, path)


def test_every_example_is_taken(running: WholeService, described: dict[str, Any]) -> None:
    order = [
        ("put", "/v1/devices/{device_id}"),
        ("post", "/v1/devices/{device_id}/checks"),
        ("put", "/v1/cases/{case_id}"),
        ("post", "/v1/cases/{case_id}/events"),
        ("put", "/v1/cases/{case_id}/events/{event_id}"),
        ("post", "/v1/preview"),
    ]
    calls = _calls(described)
    assert {key for key, call in calls.items() if "requestBody" in call} == set(order)
    for method, path in order:
        call = calls[method, path]
        example = call["requestBody"]["content"]["application/json"]["example"]
        address = path.replace("{device_id}", "D-3").replace("{case_id}", "c-1")
        reason = {}
        if "{event_id}" in path:
            address = address.replace("{event_id}", example["id"])
            example, reason = {**example, "note": "Read again."}, {"reason": "read again"}
        answer = running.send(method.upper(), address, example, **reason)
        assert answer.status_code in (200, 201), answer.text
        assert str(answer.status_code) in call["responses"], (method, path, answer.status_code)


def test_every_event_kind_is_described_with_an_example_that_is_taken(
    running: WholeService, described: dict[str, Any]
) -> None:
    running.open_case("c-kinds")
    schemas = described["components"]["schemas"]
    for kind, reference in schemas["Event"]["discriminator"]["mapping"].items():
        schema = schemas[reference.rsplit("/", 1)[1]]
        (example,) = schema["examples"]
        answer = running.post_event("c-kinds", {**example, "kind": kind, "id": f"x-{kind}"})
        assert answer.status_code == 201, f"{kind}: {answer.text}"
        own = {name: field for name, field in schema["properties"].items() if name != "kind"}
        assert [name for name, field in own.items() if not field.get("description")] == [], kind


def test_an_array_of_events_is_described_with_its_own_answer(described: dict[str, Any]) -> None:
    assert "207" in _calls(described)["post", "/v1/cases/{case_id}/events"]["responses"]


def test_every_problem_code_is_lower_case_unique_and_has_a_title() -> None:
    codes = [code.facts.code for code in Code]
    assert len(codes) == len(set(codes))
    for code in Code:
        assert code.facts.code == code.name.lower()
        assert code.facts.title
