"""`resus-fhir destination check` against servers that are good, lacking, wrong, and not FHIR servers at all."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from typer.testing import CliRunner, Result

from service.cli import app
from service.demo import free_port
from service.exact_json import write_json
from service.settings import Strategy
from tests.support.certificates import Authority
from tests.support.delivering_service import quick_settings, running_service, wait_until
from tests.support.faulty_fhir_server import (
    Exchange,
    Fault,
    FaultyServer,
    Site,
    Told,
    answering,
    faulty_server,
    redirecting,
    refusing,
)
from tests.support.served_in_thread import ServedTls, served

Check = Callable[..., Result]


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    with faulty_server(tmp_path / "server.sqlite") as opened:
        yield opened


@pytest.fixture
def check(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Check:
    monkeypatch.chdir(tmp_path)
    # The command sets it where an address is named; here it is put back afterwards.
    monkeypatch.setenv("RESUS_DESTINATION", "http://127.0.0.1:9/fhir")

    def run(*arguments: str, **settings: str) -> Result:
        for name, value in settings.items():
            monkeypatch.setenv(f"RESUS_{name.upper()}", value)
        return CliRunner().invoke(app, ["destination", "check", *arguments])

    return run


def saying(change: Callable[[dict[str, Any]], None]) -> Fault:
    """Answer with the honest statement after a change."""

    async def play(exchange: Exchange) -> None:
        told = await exchange.honest()
        statement = told.json
        change(statement)
        await exchange.tell(Told(told.status, told.headers, write_json(statement)))

    return play


def _patients(site: Site) -> int:
    total: int = httpx.get(f"{site.base}/Patient", trust_env=False).json()["total"]
    return total


STEPS = ["create", "repeat", "find", "correct", "read back corrected", "retract", "read back retracted", "remove"]


@pytest.mark.parametrize("strategy", [strategy for strategy in Strategy if strategy is not Strategy.AUTO])
def test_a_good_server_passes_by_every_strategy_and_nothing_is_left_there(
    strategy: Strategy, site: Site, check: Check
) -> None:
    result = check(site.base, strategy=strategy.value)
    assert result.exit_code == 0, result.output
    for step in STEPS:
        assert any(line.startswith(f"  {step}") and "good" in line for line in result.output.splitlines()), step
    assert f"strategy     {strategy.value}, as RESUS_STRATEGY says" in result.output
    assert _patients(site) == 0


def test_read_only_writes_nothing(site: Site, check: Check) -> None:
    result = check(site.base, "--read-only")
    assert result.exit_code == 0, result.output
    assert site.server.posts == []
    assert "tried with" not in result.output
    assert "chosen by what the server says" in result.output


def _without(name: str) -> Callable[[dict[str, Any]], None]:
    def change(statement: dict[str, Any]) -> None:
        rest = statement["rest"][0]
        rest["resource"] = [listed for listed in rest["resource"] if listed["type"] != name]

    return change


def test_a_type_that_the_server_lacks_is_named_and_can_be_left_out(site: Site, check: Check) -> None:
    site.server.metadata = saying(_without("Task"))
    assert "no, but it answers a search" in check(site.base, "--read-only").output

    async def no_tasks(exchange: Exchange) -> None:
        fault = refusing(404, "not-supported") if exchange.path.endswith("/Task") else answered
        await fault(exchange)

    async def answered(exchange: Exchange) -> None:
        await exchange.tell(await exchange.honest())

    site.server.others = no_tasks
    result = check(site.base, "--read-only")
    assert result.exit_code == 1
    assert "missing: the server does not list: Task" in result.output
    left_out = check(site.base, "--read-only", leave_out_types="Task")
    assert left_out.exit_code == 0, left_out.output
    assert "left out by RESUS_LEAVE_OUT_TYPES" in left_out.output


def test_a_server_without_transactions_is_not_enough(site: Site, check: Check) -> None:
    site.server.metadata = saying(lambda statement: statement["rest"][0].pop("interaction"))
    result = check(site.base, "--read-only")
    assert result.exit_code == 1
    assert "missing: the server does not say that it takes transactions" in result.output


def _of_client_ids(said: bool | None) -> Fault:  # noqa: FBT001 - it is the value itself.
    def change(statement: dict[str, Any]) -> None:
        for listed in statement["rest"][0]["resource"]:
            del listed["updateCreate"]
            if said is not None:
                listed["updateCreate"] = said

    return saying(change)


NOT_SAID = "remark: the server does not say whether it takes ids of the client's choice (updateCreate)"
NOT_OFFERED = "missing: no ids of the client's choice (updateCreate) for: "


def test_ids_that_a_server_takes_without_saying_so_are_a_remark_where_they_are_chosen_by_hand(
    site: Site, check: Check
) -> None:
    site.server.metadata = _of_client_ids(None)
    result = check(site.base, strategy="client-ids")
    assert result.exit_code == 0, result.output
    assert f"  {NOT_SAID}; it took the id of the test patient\n" in result.output
    assert "missing" not in result.output
    (row,) = [line for line in result.output.splitlines() if line.startswith("  Provenance ")]
    assert row.split()[1:4] == ["yes", "not", "said"]
    # Nothing was tried, so nothing stands in for the server's word.
    result = check(site.base, "--read-only", strategy="client-ids")
    assert result.exit_code == 1
    assert NOT_OFFERED in result.output
    assert "remark" not in result.output


def test_with_auto_such_a_server_is_gone_by_conditions_and_the_table_says_what_can_be_tried(
    site: Site, check: Check
) -> None:
    site.server.metadata = _of_client_ids(None)
    for arguments in ((), ("--read-only",)):
        result = check(site.base, *arguments)
        assert result.exit_code == 0, result.output
        assert "strategy     conditional-update, chosen by what the server says" in result.output
        assert f"  {NOT_SAID}; set RESUS_STRATEGY=client-ids, and this command tries them\n" in result.output
    # Who chose conditions has chosen.
    assert "remark" not in check(site.base, strategy="conditional-update").output


def test_ids_that_a_server_says_it_does_not_take_are_missing_though_it_takes_that_of_the_trial(
    site: Site, check: Check
) -> None:
    site.server.metadata = _of_client_ids(False)  # noqa: FBT003 - it is the value itself.
    result = check(site.base, strategy="client-ids")
    assert result.exit_code == 1
    assert NOT_OFFERED in result.output
    assert "failed" not in result.output
    assert "remark" not in result.output
    assert "remark" not in check(site.base, strategy="auto").output


def test_a_trial_that_failed_does_not_stand_in_for_the_servers_word(site: Site, check: Check) -> None:
    site.server.metadata = _of_client_ids(None)
    site.server.standing = refusing(422, "business-rule")
    result = check(site.base, strategy="client-ids")
    assert result.exit_code == 1
    assert NOT_OFFERED in result.output
    assert "failed: create" in result.output


def test_what_else_is_missing_stays_missing_where_client_ids_were_taken_without_a_word(
    site: Site, check: Check
) -> None:
    async def play(exchange: Exchange) -> None:
        told = await exchange.honest()
        statement = told.json
        statement["rest"][0].pop("interaction")
        for listed in statement["rest"][0]["resource"]:
            del listed["updateCreate"]
        await exchange.tell(Told(told.status, told.headers, write_json(statement)))

    site.server.metadata = play
    result = check(site.base, strategy="client-ids")
    assert result.exit_code == 1
    assert "missing: the server does not say that it takes transactions" in result.output
    assert NOT_OFFERED not in result.output
    assert NOT_SAID in result.output


def test_a_server_that_puts_a_resource_under_an_id_of_its_own_fails_the_trial_with_client_ids(
    site: Site, check: Check
) -> None:
    async def elsewhere(exchange: Exchange) -> None:
        told = await exchange.honest()
        answer = told.json
        for entry in answer["entry"]:
            entry["response"]["location"] = "Patient/4711/_history/1"
        await exchange.tell(Told(told.status, told.headers, write_json(answer)))

    site.server.standing = elsewhere
    site.server.metadata = _of_client_ids(None)
    result = check(site.base, strategy="client-ids")
    assert result.exit_code == 1
    assert "failed: create: the server keeps it as Patient/4711, not under the id that was sent" in result.output
    assert NOT_OFFERED in result.output


def test_what_the_server_says_of_a_refused_trial_is_shown(site: Site, check: Check) -> None:
    site.server.standing = refusing(422, "business-rule")
    result = check(site.base)
    assert result.exit_code == 1
    assert "failed: create: the server answered 422 (business-rule): scripted 422" in result.output


def test_a_server_that_forgets_a_correction_fails_the_trial(site: Site, check: Check) -> None:
    bodies: list[bytes] = []

    async def forgetful(exchange: Exchange) -> None:
        bodies.append(exchange.body)
        told = await exchange.honest() if len(bodies) != 3 else Told(*first)
        if len(bodies) == 1:
            first[:] = [told.status, told.headers, told.body]
        await exchange.tell(told)

    first: list[Any] = []
    site.server.standing = forgetful
    result = check(site.base)
    assert result.exit_code == 1
    assert "failed: read back corrected: differs in: name[0].text" in result.output
    assert _patients(site) == 0


def test_a_trial_that_may_not_delete_leaves_a_marked_and_retracted_patient(site: Site, check: Check) -> None:
    async def no_delete(exchange: Exchange) -> None:
        if exchange.method == "DELETE":
            await refusing(405, "not-supported")(exchange)
        else:
            await exchange.tell(await exchange.honest())

    site.server.others = no_delete
    result = check(site.base)
    assert result.exit_code == 0, result.output
    assert "DELETE answered 405" in result.output
    (entry,) = httpx.get(f"{site.base}/Patient", trust_env=False).json()["entry"]
    left = entry["resource"]
    assert left["active"] is False
    assert left["meta"]["security"][0]["code"] == "HTEST"
    assert left["name"][0]["text"] == "test of resus-fhir, not a patient (retracted)"


def version(number: str) -> Fault:
    return saying(lambda statement: statement.update(fhirVersion=number))


WRONG: dict[str, tuple[Fault, str]] = {
    "R5": (version("5.0.0"), "it speaks FHIR 5.0.0, and this service sends R4 (4.0.1)"),
    "STU3": (version("3.0.2"), "it speaks FHIR 3.0.2, and this service sends R4 (4.0.1)"),
    "wrong credentials": (refusing(401, "login"), "401: the credentials are wrong or do not allow this"),
    "no right": (refusing(403, "forbidden"), "403: the credentials are wrong or do not allow this"),
    "nothing there": (answering(404, b"no", "text/plain"), "404: there is no FHIR server at this address"),
    "HTML": (answering(200, b"<html>", "text/html"), "not JSON, so this is not the base URL of a FHIR server"),
    "other JSON": (answering(200, b"{}", "application/json"), "its /metadata is not a CapabilityStatement"),
    "a redirect": (
        redirecting("https://elsewhere.example/fhir/metadata"),
        "307, a redirect to elsewhere.example, which is not followed: set the address itself",
    ),
    "down": (refusing(503, "transient"), "the server answered 503"),
}


@pytest.mark.parametrize("name", WRONG)
def test_a_destination_that_cannot_be_used_is_one_sentence_at_the_check_and_at_run_time(
    name: str, site: Site, check: Check, tmp_path: Path
) -> None:
    site.server.metadata, told = WRONG[name]
    result = check(site.base)
    assert result.exit_code == 2, result.output
    assert result.output.startswith(f"Delivery to {site.base} is not possible: ")
    assert told in result.output
    assert len(result.output.splitlines()) == 1
    with running_service(quick_settings(tmp_path / "s.sqlite", site.base)) as client:
        wait_until(lambda: told in str(client.call("GET", "/v1/destination")["problem"]), 8)
        client.call("PUT", "/v1/devices/D-1", {"type": "defibrillator", "serial": "1"}, wanted=201)
        assert len(client.deliveries("waiting")) == 1
        assert client.deliveries("held") == []
        assert client.call("GET", "/v1/destination")["usable"] is False


def test_an_address_where_nobody_listens_or_that_nobody_knows_is_one_sentence(check: Check) -> None:
    port = free_port()
    result = check(f"http://127.0.0.1:{port}/fhir")
    assert (result.exit_code, result.output) == (
        2,
        f"Delivery to http://127.0.0.1:{port}/fhir is not possible: nothing listens at 127.0.0.1:{port}.\n",
    )
    assert "the name nowhere.invalid is not known" in check("http://nowhere.invalid/fhir").output
    assert "RESUS_DESTINATION" in check("no-address").output


def test_an_expired_certificate_is_one_sentence(check: Check, site: Site, tmp_path: Path) -> None:
    authority = Authority(tmp_path, "trusted")
    pair = authority.sign("server", expired=True)
    port = free_port()
    server: FaultyServer = site.server
    with served(server, port, lifespan="off", tls=ServedTls(pair.certificate, pair.key)):
        result = check(f"https://127.0.0.1:{port}/fhir", destination_ca_file=str(authority.file))
    assert result.exit_code == 2
    assert "is not accepted: certificate has expired." in result.output


def test_the_destination_says_of_each_type_that_is_sent_what_is_there(site: Site, tmp_path: Path) -> None:
    site.server.metadata = saying(_without("Task"))
    settings = quick_settings(tmp_path / "s.sqlite", site.base, leave_out_types="Location")
    with running_service(settings) as client:
        wait_until(lambda: client.call("GET", "/v1/destination")["usable"], 8)
        told = client.call("GET", "/v1/destination")
    assert told["transaction"] is True
    assert told["left_out"] == ["Location"]
    assert "Location" not in told["types"]
    assert told["types"]["Task"] == {"listed": False}
    assert told["missing"] == ["the server does not list: Task"]
    assert told["types"]["Patient"] == {
        "listed": True,
        "client_ids": True,
        "conditional_create": True,
        "conditional_update": True,
        "search_by_identifier": True,
        "versioning": "versioned",
    }
