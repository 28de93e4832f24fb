"""Every route refuses who has no token and who has one without the scope; the open ones are named."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
import yaml

from service.settings import AuthMode, Settings
from tests.support.whole_service import WholeService, settings_in, whole_service

TOKENS = {scope: f"token-of-{scope}" for scope in ("record", "integrate", "audit")}
EVERYTHING = "token-of-everything"

WANTED: dict[tuple[str, str], set[str]] = {
    ("PUT", "/v1/cases/{case_id}"): {"record"},
    ("GET", "/v1/cases"): {"record", "integrate", "audit"},
    ("GET", "/v1/cases/{case_id}"): {"record", "integrate", "audit"},
    ("GET", "/v1/cases/{case_id}/timeline"): {"record", "integrate", "audit"},
    ("GET", "/v1/cases/{case_id}/gaps"): {"record", "integrate", "audit"},
    ("GET", "/v1/cases/{case_id}/fhir"): {"record", "integrate", "audit"},
    ("POST", "/v1/cases/{case_id}/events"): {"record"},
    ("PUT", "/v1/cases/{case_id}/events/{event_id}"): {"record"},
    ("DELETE", "/v1/cases/{case_id}/events/{event_id}"): {"record"},
    ("PUT", "/v1/devices/{device_id}"): {"record"},
    ("POST", "/v1/devices/{device_id}/checks"): {"record"},
    ("GET", "/v1/devices"): {"record", "integrate", "audit"},
    ("POST", "/v1/preview"): {"record", "integrate"},
    ("GET", "/v1/deliveries"): {"integrate", "audit"},
    ("POST", "/v1/deliveries/{delivery_id}/retry"): {"integrate"},
    ("POST", "/v1/deliveries/{delivery_id}/discard"): {"integrate"},
    ("POST", "/v1/deliveries/retry"): {"integrate"},
    ("GET", "/v1/destination"): {"integrate", "audit"},
    ("GET", "/v1/audit/entries"): {"audit"},
    ("GET", "/v1/audit/entries/{number}/received"): {"audit"},
    ("GET", "/v1/audit/gaps"): {"audit"},
    ("GET", "/v1/audit/seal"): {"audit"},
}
OPEN = {("GET", path) for path in ("/health/live", "/health/ready", "/metrics", "/.well-known/jwks.json")}


@pytest.fixture(scope="module")
def guarded(tmp_path_factory: pytest.TempPathFactory) -> Iterator[WholeService]:
    folder = tmp_path_factory.mktemp("guarded")
    with whole_service(_settings(folder), token=EVERYTHING) as service:
        yield service


def _settings(folder: Path) -> Settings:
    listed = [
        {"name": f"{name} client", "scopes": scopes, "sha256": hashlib.sha256(token.encode()).hexdigest()}
        for name, token, scopes in [
            *((scope, token, [scope]) for scope, token in TOKENS.items()),
            ("every", EVERYTHING, list(TOKENS)),
        ]
    ]
    file = folder / "tokens.yaml"
    file.write_text(yaml.safe_dump(listed), encoding="utf-8")
    return settings_in(folder).model_copy(update={"auth": AuthMode.TOKENS, "tokens": file})


def _call(service: WholeService, route: tuple[str, str], authorization: str | None) -> httpx.Response:
    method, template = route
    path = template
    for name in ("case_id", "event_id", "device_id"):
        path = path.replace("{" + name + "}", "x-1")
    path = path.replace("{delivery_id}", "1").replace("{number}", "1")
    headers = {"Content-Type": "application/json"}
    if authorization is not None:
        headers["Authorization"] = authorization
    content = b"{}" if method in ("PUT", "POST") else None
    parameters = {"reason": "x"} if "{event_id}" in template or "discard" in template else None
    with httpx.Client(base_url=service.base, trust_env=False) as client:
        return client.request(method, path, headers=headers, content=content, params=parameters)


def test_the_table_names_every_route_of_the_api(guarded: WholeService) -> None:
    described = {
        (method.upper(), path) for path, calls in guarded.get("/openapi.json")["paths"].items() for method in calls
    }
    assert described == set(WANTED) | OPEN


@pytest.mark.parametrize("route", WANTED, ids=" ".join)
def test_without_a_token_a_route_says_how_to_give_one(guarded: WholeService, route: tuple[str, str]) -> None:
    for authorization in (None, "Bearer", "Bearer wrong", f"Basic {EVERYTHING}", EVERYTHING, "Bearer é"):
        try:
            answer = _call(guarded, route, authorization)
        except UnicodeEncodeError:
            continue
        assert answer.status_code == 401, authorization
        assert answer.headers["www-authenticate"] == "Bearer"
        assert [one["code"] for one in answer.json()["problems"]] == ["not_authenticated"]


@pytest.mark.parametrize("route", WANTED, ids=" ".join)
@pytest.mark.parametrize("scope", TOKENS)
def test_a_token_opens_a_route_where_it_has_the_scope_and_there_only(
    guarded: WholeService, route: tuple[str, str], scope: str
) -> None:
    answer = _call(guarded, route, f"bearer {TOKENS[scope]}")
    if scope in WANTED[route]:
        assert answer.status_code not in (401, 403), answer.text
        return
    assert answer.status_code == 403
    (problem,) = answer.json()["problems"]
    assert problem["code"] == "not_permitted"
    assert all(wanted in problem["expected"] for wanted in WANTED[route])


@pytest.mark.parametrize(
    "path", ["/health/live", "/health/ready", "/openapi.json", "/v1/openapi.json", "/v1/health/live"]
)
def test_health_and_the_description_are_open(guarded: WholeService, path: str) -> None:
    with httpx.Client(base_url=guarded.base, trust_env=False) as client:
        assert client.get(path).status_code == 200


def test_without_a_token_a_wrong_parameter_is_no_news(guarded: WholeService) -> None:
    with httpx.Client(base_url=guarded.base, trust_env=False) as client:
        for path in ("/v1/deliveries?limit=many", "/v1/audit/entries?colour=red"):
            assert client.get(path).status_code == 401
        assert client.put("/v1/cases/" + "x" * 65, json={}).status_code == 401


def test_who_was_refused_and_who_did_what_stands_in_the_log(guarded: WholeService) -> None:
    _call(guarded, ("PUT", "/v1/cases/{case_id}"), None)
    _call(guarded, ("PUT", "/v1/cases/{case_id}"), f"Bearer {TOKENS['audit']}")
    _call(guarded, ("PUT", "/v1/cases/{case_id}"), f"Bearer {TOKENS['record']}")
    last = guarded.entries(action="refused")[-3:]
    assert [(entry["actor"], entry["detail"]["problems"][0]["code"]) for entry in last] == [
        ("unknown", "not_authenticated"),
        ("audit client", "not_permitted"),
        ("record client", "missing_required"),
    ]


def test_the_embedded_endpoint_asks_for_a_token_and_the_worker_has_one(guarded: WholeService) -> None:
    guarded.post_case_example("demo", "c-demo")
    guarded.wait_until_delivered()
    patient = next(one for one in guarded.resources("c-demo") if one["resourceType"] == "Patient")
    path = f"/fhir/Patient/{patient['id']}"
    assert guarded.get(path)["id"] == patient["id"]
    with httpx.Client(base_url=guarded.base, trust_env=False) as client:
        for wrong in (path, "/fhir/Patient", "/fhir/metadata"):
            assert client.get(wrong).status_code == 401, wrong
            assert client.get(wrong, headers={"Authorization": "Bearer x"}).status_code == 401, wrong
        assert client.post("/fhir", json={}).status_code == 401
        assert client.get(path, headers={"Authorization": f"Bearer {TOKENS['record']}"}).status_code == 403
        assert client.get(path, headers={"Authorization": f"Bearer {TOKENS['integrate']}"}).status_code == 200
