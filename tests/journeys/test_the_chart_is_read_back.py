"""What was delivered is fetched again: kept, changed or gone, and every run is in the audit log."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner, Result

from service.cli import app
from service.settings import Strategy
from tests.support.delivering_service import Client, post_demo, quick_settings, running_service, wait_until
from tests.support.faulty_fhir_server import Exchange, Site, faulty_server, refusing
from tests.support.fhir_search import everything_at
from tests.support.stores import store_in

FHIR = {"Content-Type": "application/fhir+json"}
CASE = "c-demo"


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    with faulty_server(tmp_path / "server.sqlite") as opened:
        yield opened


def verify(site: Site, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, *arguments: str) -> Result:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("RESUS_STORE", str(store_in(tmp_path, "s")))
    monkeypatch.setenv("RESUS_DESTINATION", site.base)
    return CliRunner().invoke(app, ["delivery", "verify", *arguments])


def said(result: Result) -> str:
    """Return what the command said, without what the service beside it in this process logs meanwhile."""
    lines = result.output.splitlines(keepends=True)
    return "".join(line for line in lines if not re.match(r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d \[", line))


def delivered(client: Client) -> None:
    post_demo(client)
    client.until_nothing_waits()
    assert client.deliveries("held") == []


def one_of(client: Client, site: Site, resource_type: str) -> dict[str, Any]:
    return next(body for body in everything_at(client.http, site.base) if body["resourceType"] == resource_type)


def replace(client: Client, site: Site, body: dict[str, Any]) -> None:
    address = f"{site.base}/{body['resourceType']}/{body['id']}"
    assert client.http.put(address, json=body, headers=FHIR).status_code == 200


@pytest.mark.parametrize("strategy", [strategy for strategy in Strategy if strategy is not Strategy.AUTO])
def test_what_the_chart_keeps_is_said_to_be_kept_by_every_strategy(
    strategy: Strategy, site: Site, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with running_service(quick_settings(tmp_path / "s.sqlite", site.base, strategy)) as client:
        delivered(client)
        assert client.call("GET", f"/v1/cases/{CASE}")["read_back"] == {
            "kept": 0,
            "changed": 0,
            "gone": 0,
            "checked_at": None,
        }
        there = len(everything_at(client.http, site.base))
        result = verify(site, tmp_path, monkeypatch)
        assert result.exit_code == 0, result.output
        assert f"all: {there} kept, 0 changed, 0 gone" in result.output
        told = client.call("GET", f"/v1/cases/{CASE}")["read_back"]
        assert told["kept"] > 20
        assert (told["changed"], told["gone"]) == (0, 0)
        assert told["checked_at"] is not None
        (run,) = client.audit("&action=read-back")
        assert (run["subject"], run["outcome"]) == ("destination", "complete")
        assert run["detail"]["kept"] == there


def test_what_was_changed_and_what_is_gone_is_found_named_and_logged_without_values(
    site: Site, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with running_service(quick_settings(tmp_path / "s.sqlite", site.base)) as client:
        delivered(client)
        condition = one_of(client, site, "Condition")
        replace(client, site, {**condition, "note": [{"text": "hush"}]})
        provenance = one_of(client, site, "Provenance")
        address = f"{site.base}/Provenance/{provenance['id']}"
        assert client.http.delete(address).status_code in (200, 204)
        result = verify(site, tmp_path, monkeypatch, "--case", CASE)
        assert result.exit_code == 1
        assert f"  Condition/{condition['id']} changed at note\n" in result.output
        assert f"  Provenance/{provenance['id']} gone\n" in result.output
        told = client.call("GET", f"/v1/cases/{CASE}")["read_back"]
        assert (told["changed"], told["gone"]) == (1, 1)
        (of_case,) = client.audit("&action=read-back")
        assert (of_case["case_id"], of_case["subject"], of_case["outcome"]) == (CASE, f"case:{CASE}", "gone")
        assert of_case["detail"]["resources"] == {
            f"Condition/{condition['id']}": ["changed", "note"],
            f"Provenance/{provenance['id']}": ["gone"],
        }
        assert verify(site, tmp_path, monkeypatch).exit_code == 1
        _, again, run = client.audit("&action=read-back")
        assert run["detail"]["run"] == again["detail"]["run"] != of_case["detail"]["run"]
        assert (run["subject"], run["detail"]["changed"], run["detail"]["gone"]) == ("destination", 1, 1)
        assert "hush" not in str(client.audit()) + result.output


def test_a_correction_on_its_way_is_no_change_and_is_read_back_once_it_has_arrived(
    site: Site, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with running_service(quick_settings(tmp_path / "s.sqlite", site.base)) as client:
        delivered(client)
        site.server.standing = refusing(503, "transient")
        client.call("DELETE", f"/v1/cases/{CASE}/events/e-12?reason=twice")
        before = verify(site, tmp_path, monkeypatch)
        assert before.exit_code == 0, before.output
        site.server.standing = site.server.others
        client.until_nothing_waits()
        after = verify(site, tmp_path, monkeypatch)
        assert after.exit_code == 0, after.output

        def kept(output: str) -> int:
            return int(output.partition("all: ")[2].partition(" kept")[0])

        assert kept(after.output) > kept(before.output)


def test_a_server_that_does_not_answer_makes_nothing_gone(
    site: Site, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with running_service(quick_settings(tmp_path / "s.sqlite", site.base)) as client:
        delivered(client)
        site.server.others = refusing(503, "transient")
        result = verify(site, tmp_path, monkeypatch)
        assert result.exit_code == 2
        assert "Not everything was read: the server answered 503 to a read of " in result.output
        (run,) = client.audit("&action=read-back")
        assert run["outcome"] == "ended-early"
        assert client.call("GET", f"/v1/cases/{CASE}")["read_back"]["gone"] == 0
        site.down()
        assert "nothing listens at" in verify(site, tmp_path, monkeypatch).output


def test_every_read_asks_past_the_caches(site: Site, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    headers: list[dict[bytes, bytes]] = []

    async def noting(exchange: Exchange) -> None:
        headers.append(dict(exchange._scope["headers"]))
        await exchange.tell(await exchange.honest())

    with running_service(quick_settings(tmp_path / "s.sqlite", site.base)) as client:
        client.call("PUT", "/v1/devices/D-1", {"type": "defibrillator", "serial": "1"}, wanted=201)
        client.until_nothing_waits()
        site.server.others = noting
        result = verify(site, tmp_path, monkeypatch)
        assert said(result).startswith("device:D-1: 1 kept")
        assert [one[b"cache-control"] for one in headers] == [b"no-cache"]


def test_the_worker_reads_back_by_itself_whenever_its_hours_have_passed(site: Site, tmp_path: Path) -> None:
    settings = quick_settings(tmp_path / "s.sqlite", site.base, verify_hours=1 / 3600)
    with running_service(settings) as client:
        delivered(client)
        wait_until(lambda: client.call("GET", f"/v1/cases/{CASE}")["read_back"]["kept"] > 20, 10)
        condition = one_of(client, site, "Condition")
        replace(client, site, {**condition, "note": [{"text": "x"}]})
        wait_until(lambda: client.call("GET", f"/v1/cases/{CASE}")["read_back"]["changed"] == 1, 10)
        # The entry of a whole run follows those of its cases.
        wait_until(lambda: len(client.audit("&action=read-back&subject=destination")) >= 2, 10)


def test_what_cannot_be_verified_is_said(site: Site, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # A database is there or does not answer, which is said elsewhere.
    if isinstance(store_in(tmp_path, "s"), Path):
        missing = verify(site, tmp_path, monkeypatch)
        assert (missing.exit_code, "There is no store at" in missing.output) == (2, True)
    with running_service(quick_settings(tmp_path / "s.sqlite", site.base)):
        nothing = verify(site, tmp_path, monkeypatch)
        assert (nothing.exit_code, said(nothing)) == (0, "Nothing has been delivered yet.\n")
        unknown = verify(site, tmp_path, monkeypatch, "--case", "c-none")
        assert (unknown.exit_code, "There is no case 'c-none'" in unknown.output) == (2, True)
