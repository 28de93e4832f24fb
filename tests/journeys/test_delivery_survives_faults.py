"""The case of the demonstration goes to a server that fails in every way we know; all of it arrives, once."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from service.exact_json import read_json, write_json
from service.settings import Strategy
from tests.support.compare_arrival import (
    assert_arrived_once_under_its_ids,
    assert_arrived_once_under_our_ids,
    assert_no_identifier_twice,
    made_by_service,
)
from tests.support.delivering_service import (
    Client,
    case_of_another_patient,
    example,
    open_demo,
    post_demo,
    quick_settings,
    running_service,
    wait_until,
)
from tests.support.faulty_fhir_server import (
    Exchange,
    Fault,
    Site,
    answering,
    as_a_batch,
    drip,
    failing_entries,
    faulty_server,
    half_done,
    half_the_entries,
    honestly,
    html,
    redirecting,
    refusing,
    refusing_type,
    reset_after,
    reset_before,
)
from tests.support.fhir_search import everything_at

CASE = "c-demo"
CONDITIONAL = (Strategy.CONDITIONAL_UPDATE, Strategy.CONDITIONAL_CREATE)


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    with faulty_server(tmp_path / "server.sqlite") as opened:
        yield opened


@contextmanager
def service_for(
    site: Site, tmp_path: Path, strategy: Strategy = Strategy.AUTO, **settings: Any
) -> Iterator[Client]:
    with running_service(quick_settings(tmp_path / "s.sqlite", site.base, strategy, **settings)) as client:
        yield client


def attempts(client: Client) -> list[dict[str, Any]]:
    return [entry for entry in client.audit() if entry["action"] == "attempt"]


def assert_resent_unchanged(site: Site) -> None:
    assert site.server.faulted
    for body in site.server.faulted:
        assert site.server.posts.count(body) == 2


def test_the_comparison_would_notice_what_is_doubled_changed_or_missing(site: Site, tmp_path: Path) -> None:
    headers = {"Content-Type": "application/fhir+json"}
    with service_for(site, tmp_path) as client:
        post_demo(client)
        client.until_nothing_waits()
        assert_arrived_once_under_our_ids(client, site.base, [CASE])
        reference, body = next(
            (name, body) for name, body in client.fhir(CASE).items() if name.startswith("Observation/")
        )
        address = f"{site.base}/{reference}"
        changed = write_json({**body, "note": [{"text": "not ours"}]})
        assert client.http.put(address, content=changed, headers=headers).status_code == 200
        with pytest.raises(AssertionError, match=reference):
            assert_arrived_once_under_our_ids(client, site.base, [CASE])
        assert client.http.put(address, content=write_json(body), headers=headers).status_code == 200
        twin = write_json({**body, "id": "twin"})
        assert client.http.put(f"{site.base}/Observation/twin", content=twin, headers=headers).status_code == 201
        with pytest.raises(AssertionError):
            assert_arrived_once_under_our_ids(client, site.base, [CASE])
        with pytest.raises(AssertionError):
            assert_no_identifier_twice(everything_at(client.http, site.base))
        assert client.http.delete(f"{site.base}/Observation/twin").is_success
        assert_arrived_once_under_our_ids(client, site.base, [CASE])
        assert client.http.delete(address).is_success
        with pytest.raises(AssertionError):
            assert_arrived_once_under_our_ids(client, site.base, [CASE])


UNKNOWN_OUTCOMES: dict[str, Fault] = {
    "reset before the commit": reset_before,
    "reset after the commit": reset_after,
    "429 with a wait": refusing(429, "throttled", retry_after="0"),
    "408": refusing(408, "timeout"),
    "409 once": refusing(409, "conflict"),
    "412 once": refusing(412, "conflict"),
    "500": refusing(500, "exception"),
    "503": refusing(503, "transient"),
    "502 as HTML": html(502),
    "502 as HTML after the commit": html(502, done=True),
    "200 as HTML after the commit": html(200, done=True),
    "a batch-response": as_a_batch,
    "a batch-response whose entries failed": failing_entries,
    "half the entries": half_the_entries,
    "half of it done": half_done,
    "another resource": answering(200, b'{"resourceType":"Patient"}', "application/fhir+json", done=True),
    "an empty answer after the commit": answering(200, b"", "application/fhir+json", done=True),
}


@pytest.mark.parametrize("name", UNKNOWN_OUTCOMES)
def test_after_an_unknown_outcome_the_same_bytes_are_sent_again_and_all_arrives_once(
    name: str, site: Site, tmp_path: Path
) -> None:
    site.server.script(UNKNOWN_OUTCOMES[name])
    with service_for(site, tmp_path) as client:
        post_demo(client)
        client.until_nothing_waits()
        assert site.server.played
        assert_resent_unchanged(site)
        assert client.deliveries("held") == []
        assert assert_arrived_once_under_our_ids(client, site.base, [CASE]) > 20


def test_an_answer_that_drips_beyond_the_time_limit_counts_as_none(site: Site, tmp_path: Path) -> None:
    site.server.script(drip(0.05))
    with service_for(site, tmp_path, timeout_seconds=0.7) as client:
        post_demo(client)
        client.until_nothing_waits()
        assert_resent_unchanged(site)
        assert "TimeoutError" in " ".join(
            str(entry["detail"].get("reason")) for entry in client.audit() if entry["action"] == "outcome"
        )
        assert_arrived_once_under_our_ids(client, site.base, [CASE])


CREATE = Strategy.CONDITIONAL_CREATE
CUT_ANSWERS: dict[str, tuple[Strategy, Fault]] = {
    "a batch-response, where it does not repeat safely": (CREATE, as_a_batch),
    "half the entries, where it does not repeat safely": (CREATE, half_the_entries),
    "413": (Strategy.AUTO, refusing(413, "too-long")),
}


@pytest.mark.parametrize("name", CUT_ANSWERS)
def test_after_an_answer_that_says_too_little_each_delivery_goes_alone_and_all_arrives_once(
    name: str, site: Site, tmp_path: Path
) -> None:
    strategy, fault = CUT_ANSWERS[name]
    with service_for(site, tmp_path, strategy) as client:
        open_demo(client)
        # The events of one request wait together, so that the Bundle that is cut holds several deliveries.
        site.server.posts.clear()
        site.server.script(fault)
        client.call("POST", f"/v1/cases/{CASE}/events", example("demo/events.json"), wanted=207)
        client.until_nothing_waits()
        assert site.server.played
        assert client.deliveries("held") == []
        first, second, *_ = (len(read_json(post)["entry"]) for post in site.server.posts)
        assert first > second
        under_whose_ids = (
            assert_arrived_once_under_its_ids if strategy is CREATE else assert_arrived_once_under_our_ids
        )
        under_whose_ids(client, site.base, [CASE])


def test_a_refused_resource_is_held_with_the_servers_outcome_and_only_what_needs_it_waits(
    site: Site, tmp_path: Path
) -> None:
    site.server.standing = refusing_type("MedicationAdministration")
    with service_for(site, tmp_path) as client:
        events = post_demo(client)
        given = [event for event in events if event["kind"] == "medication_given"]
        client.until_nothing_waits()
        assert len(client.deliveries("held")) == len(given)
        for held in client.deliveries("held"):
            (issue,) = held["outcome"]["issue"]
            assert (issue["code"], issue["diagnostics"]) == ("business-rule", "scripted 422")
        # A correction of a held event waits for it; everything else has passed.
        corrected = {**given[0], "note": "written twice"}
        client.call("PUT", f"/v1/cases/{CASE}/events/{given[0]['id']}?reason=note", corrected)
        client.call("POST", f"/v1/cases/{CASE}/events", {"id": "later", "kind": "remark",
                    "at": "2031-03-02T10:40:00+01:00", "text": "passes"}, wanted=201)  # fmt: skip
        wait_until(lambda: len(client.deliveries("waiting")) == 1, 8, lambda: str(client.counts()))
        assert not client.http.get(f"{site.base}/MedicationAdministration").json().get("entry")
        # The fault is gone: what was held is sent again when a person says so, the correction after it.
        site.server.standing = refusing(500)
        unknown = client.call("POST", "/v1/deliveries/999999/retry", wanted=404)
        assert unknown["problems"][0]["code"] == "unknown_delivery"
        (waiting,) = client.deliveries("waiting")
        client.call("POST", f"/v1/deliveries/{waiting['id']}/retry", wanted=409)
        site.server.standing = honestly
        for held in client.deliveries("held"):
            client.call("POST", f"/v1/deliveries/{held['id']}/retry")
        client.until_nothing_waits()
        assert client.deliveries("held") == []
        assert_arrived_once_under_our_ids(client, site.base, [CASE])
        administrations = client.http.get(f"{site.base}/MedicationAdministration?_count=50").json()["entry"]
        versions = {entry["resource"]["id"]: entry["resource"]["meta"]["versionId"] for entry in administrations}
        assert sorted(versions.values()) == ["1"] * (len(given) - 1) + ["2"]


def test_a_refused_case_keeps_its_events_waiting_and_lets_other_cases_pass(site: Site, tmp_path: Path) -> None:
    with service_for(site, tmp_path) as client:
        site.server.standing = refusing_type("Patient")
        client.call("PUT", "/v1/cases/c-held", example("demo/case.json"), wanted=201)
        client.call("POST", "/v1/cases/c-held/events", example("demo/events.json"), wanted=207)
        wait_until(lambda: bool(client.deliveries("held")), 8)
        waiting = len(client.deliveries("waiting"))
        assert waiting >= len(example("demo/events.json"))
        site.server.standing = honestly
        client.call("PUT", "/v1/cases/c-other", case_of_another_patient(), wanted=201)
        client.call("POST", "/v1/cases/c-other/events", example("demo/events.json"), wanted=207)
        wait_until(
            lambda: client.call("GET", "/v1/cases/c-other")["delivery"]["waiting"] == 0, 30,
            lambda: str(client.call("GET", "/v1/cases/c-other")["delivery"]),
        )  # fmt: skip
        assert client.call("GET", "/v1/cases/c-held")["delivery"]["delivered"] == 0
        assert client.call("GET", "/v1/cases/c-other")["delivery"]["held"] == 0
        (held,) = client.deliveries("held")
        client.call("POST", f"/v1/deliveries/{held['id']}/retry")
        client.until_nothing_waits()
        assert_arrived_once_under_our_ids(client, site.base, ["c-held", "c-other"])


def test_a_refused_case_does_not_keep_out_another_case_at_the_same_place(site: Site, tmp_path: Path) -> None:
    with service_for(site, tmp_path) as client:
        site.server.standing = refusing_type("Patient")
        client.call("PUT", "/v1/cases/c-held", example("demo/case.json"), wanted=201)
        wait_until(lambda: bool(client.deliveries("held")), 8)
        site.server.standing = honestly
        location = example("demo/case.json")["location"]
        client.call("PUT", "/v1/cases/c-other", case_of_another_patient(location), wanted=201)
        wait_until(lambda: client.call("GET", "/v1/cases/c-other")["delivery"]["waiting"] == 0, 3)


@pytest.mark.parametrize("fault", [as_a_batch, half_the_entries])
def test_a_delivery_alone_that_does_not_repeat_safely_is_held_and_sent_again_when_a_person_says_so(
    fault: Fault, site: Site, tmp_path: Path
) -> None:
    site.server.script(fault)
    with service_for(site, tmp_path, CREATE) as client:
        client.call("PUT", "/v1/devices/D-3", example("device-check/device.json"), wanted=201)
        wait_until(lambda: bool(client.deliveries("held")), 8)
        post_demo(client)
        (held,) = client.deliveries("held")
        assert held["outcome"]["resourceType"] == "OperationOutcome"
        client.call("POST", f"/v1/deliveries/{held['id']}/retry")
        client.until_nothing_waits()
        assert client.deliveries("held") == []
        assert_arrived_once_under_its_ids(client, site.base, [CASE])


def test_bundles_of_few_entries_tear_no_reference(site: Site, tmp_path: Path) -> None:
    with service_for(site, tmp_path, bundle_max_entries=1) as client:
        post_demo(client)
        client.until_nothing_waits(30)
        assert client.deliveries("held") == []
        assert_arrived_once_under_our_ids(client, site.base, [CASE])


def test_an_amendment_of_a_long_case_keeps_to_the_limit_of_entries(site: Site, tmp_path: Path) -> None:
    with service_for(site, tmp_path) as client:
        events = post_demo(client)
        client.until_nothing_waits()
        amended = {**example("demo/case.json"), "encounter": {"system": "urn:example:e", "value": "E-8"}}
        client.call("PUT", f"/v1/cases/{CASE}", amended)
        client.until_nothing_waits()
        assert len(events) > 20
        assert_arrived_once_under_our_ids(client, site.base, [CASE])
        assert max(len(read_json(post)["entry"]) for post in site.server.posts) <= 20


def test_more_waiting_deliveries_of_one_case_than_a_look_takes_do_not_keep_out_the_others(
    site: Site, tmp_path: Path
) -> None:
    with service_for(site, tmp_path) as client:
        site.server.standing = refusing_type("Patient")
        client.call("PUT", "/v1/cases/c-long", example("demo/case.json"), wanted=201)
        remarks = [
            {"id": f"r-{number}", "kind": "remark", "at": "2031-03-02T10:02:05+01:00", "text": f"remark {number}"}
            for number in range(520)
        ]
        for part in (remarks[:260], remarks[260:]):
            client.call("POST", "/v1/cases/c-long/events", part, wanted=207)
        wait_until(lambda: bool(client.deliveries("held")), 8)
        site.server.standing = honestly
        client.call("PUT", "/v1/cases/c-other", case_of_another_patient(), wanted=201)
        wait_until(
            lambda: client.call("GET", "/v1/cases/c-other")["delivery"]["delivered"] > 0, 5,
            lambda: str(client.call("GET", "/v1/cases/c-other")["delivery"]),
        )  # fmt: skip


def test_a_conflict_that_stays_is_held_with_the_servers_outcome(site: Site, tmp_path: Path) -> None:
    site.server.standing = refusing(412, "conflict")
    with service_for(site, tmp_path) as client:
        client.call("PUT", "/v1/devices/D-3", example("device-check/device.json"), wanted=201)
        client.until_nothing_waits()
        (held,) = client.deliveries("held")
        assert held["attempts"] == 3
        assert held["outcome"]["issue"][0]["diagnostics"] == "scripted 412"


def test_conflicts_after_an_outage_are_tried_as_often_as_without_one(site: Site, tmp_path: Path) -> None:
    site.server.script(*[refusing(503)] * 5, refusing(412, "conflict"))
    with service_for(site, tmp_path) as client:
        post_demo(client)
        wait_until(lambda: bool(client.deliveries("held")) or not client.deliveries("waiting"), 10)
        assert site.server.played
        assert client.deliveries("held") == []


def test_a_conflict_of_one_among_several_holds_only_that_one(site: Site, tmp_path: Path) -> None:
    with service_for(site, tmp_path) as client:
        open_demo(client)

        async def conflict(exchange: Exchange) -> None:
            guilty = b'"resourceType":"MedicationAdministration"' in exchange.body
            await (refusing(412, "conflict") if guilty else honestly)(exchange)

        site.server.standing = conflict
        client.call("POST", f"/v1/cases/{CASE}/events", example("demo/events.json"), wanted=207)
        client.until_nothing_waits()
        given = [event for event in example("demo/events.json") if event["kind"] == "medication_given"]
        assert len(client.deliveries("held")) == len(given)


class _Recorder:
    """Another host: takes connections and keeps what comes."""

    def __init__(self) -> None:
        self._socket = socket.socket()
        self._socket.bind(("127.0.0.1", 0))
        self._socket.listen()
        self.port: int = self._socket.getsockname()[1]
        self.connections = 0
        self._thread = threading.Thread(target=self._take, daemon=True)
        self._thread.start()

    def _take(self) -> None:
        while True:
            try:
                connection, _ = self._socket.accept()
            except OSError:
                return
            connection.close()
            self.connections += 1

    def close(self) -> None:
        # The shutdown ends the wait in accept, which a close alone does not.
        self._socket.shutdown(socket.SHUT_RDWR)
        self._socket.close()
        self._thread.join()


def test_a_redirect_sends_nothing_to_the_other_host_and_nothing_is_lost(site: Site, tmp_path: Path) -> None:
    elsewhere = _Recorder()
    try:
        location = f"http://127.0.0.1:{elsewhere.port}/fhir"
        with service_for(site, tmp_path) as client:
            site.server.standing = redirecting(location)
            post_demo(client)
            wait_until(lambda: len(site.server.posts) >= 2, 8)
            (first, *_) = client.deliveries("waiting")
            assert "redirects are not followed" in first["last_error"]
            site.server.metadata = redirecting(f"{location}/metadata")
            wait_until(lambda: not client.call("GET", "/v1/destination")["usable"], 10)
            assert client.deliveries("held") == []
            site.server.standing = site.server.metadata = honestly
            client.until_nothing_waits()
            assert_arrived_once_under_our_ids(client, site.base, [CASE])
        assert elsewhere.connections == 0
    finally:
        elsewhere.close()


STRANGE_METADATA: dict[str, Fault] = {
    "missing": answering(404, b"", "text/plain"),
    "R5": answering(
        200,
        b'{"resourceType":"CapabilityStatement","fhirVersion":"5.0.0","rest":[{"mode":"server"}]}',
        "application/fhir+json",
    ),
    "a page": html(200),
    "a list": answering(200, b"[1]", "application/fhir+json"),
    "full of things of the wrong shape": answering(
        200,
        b'{"resourceType":"CapabilityStatement","fhirVersion":"4.0.1","software":"none",'
        b'"rest":[{"mode":"server","interaction":[1],"resource":["Patient"]}]}',
        "application/fhir+json",
    ),
    "failing": html(503),
    "reset": reset_before,
}


@pytest.mark.parametrize("name", STRANGE_METADATA)
def test_while_metadata_is_not_that_of_an_r4_server_nothing_is_sent_and_nothing_is_lost(
    name: str, site: Site, tmp_path: Path
) -> None:
    site.server.metadata = STRANGE_METADATA[name]
    with service_for(site, tmp_path) as client:
        post_demo(client)
        state = client.call("GET", "/v1/destination")
        assert not state["usable"]
        assert state["problem"]
        assert site.server.posts == []
        site.server.metadata = honestly
        client.until_nothing_waits()
        assert_arrived_once_under_our_ids(client, site.base, [CASE])


def test_while_the_destination_is_down_events_are_taken_and_arrive_when_it_is_back(
    site: Site, tmp_path: Path
) -> None:
    site.down()
    with service_for(site, tmp_path) as client:
        client.call("PUT", f"/v1/cases/{CASE}", example("demo/case.json"), wanted=201)
        for event in example("demo/events.json"):
            client.call("POST", f"/v1/cases/{CASE}/events", event, wanted=201)
        assert client.call("GET", "/health/ready")["status"] == "ready"
        assert client.deliveries("held") == []
        site.up()
        client.until_nothing_waits()
        assert_arrived_once_under_our_ids(client, site.base, [CASE])


def test_the_last_version_stands_whatever_failed_between(site: Site, tmp_path: Path) -> None:
    with service_for(site, tmp_path) as client:
        open_demo(client)
        site.server.script(half_the_entries, reset_after, html(502, done=True), reset_before, refusing(409))
        events: list[dict[str, Any]] = example("demo/events.json")
        client.call("POST", f"/v1/cases/{CASE}/events", events, wanted=207)
        (assessed, *_) = [event for event in events if event["kind"] == "rhythm_assessed"]
        (remove, *_) = [event for event in events if event["kind"] == "vital_signs"]
        for number in range(4):
            corrected = {**assessed, "note": f"correction {number}"}
            client.call("PUT", f"/v1/cases/{CASE}/events/{assessed['id']}?reason=test", corrected)
        client.call("DELETE", f"/v1/cases/{CASE}/events/{remove['id']}?reason=test")
        client.call("PUT", f"/v1/cases/{CASE}", {**example("demo/case.json"), "location": "Ward 5, bed 1"})
        client.until_nothing_waits()
        assert client.deliveries("held") == []
        assert_arrived_once_under_our_ids(client, site.base, [CASE])
        statuses = {body.get("status") for body in made_by_service(client, [CASE]).values()}
        assert "entered-in-error" in statuses


@pytest.mark.parametrize("strategy", CONDITIONAL)
@pytest.mark.parametrize("fault", [None, reset_after, half_the_entries], ids=["none", "reset after", "half"])
def test_by_condition_everything_arrives_once_with_the_servers_ids(
    strategy: Strategy, fault: Fault | None, site: Site, tmp_path: Path
) -> None:
    with service_for(site, tmp_path, strategy) as client:
        open_demo(client)
        if fault is not None:
            site.server.script(fault)
        events: list[dict[str, Any]] = example("demo/events.json")
        client.call("POST", f"/v1/cases/{CASE}/events", events, wanted=207)
        (assessed, *_) = [event for event in events if event["kind"] == "rhythm_assessed"]
        client.call(
            "PUT", f"/v1/cases/{CASE}/events/{assessed['id']}?reason=test", {**assessed, "note": "corrected"}
        )
        client.until_nothing_waits()
        assert client.deliveries("held") == []
        assert client.call("GET", "/v1/destination")["strategy"] == strategy.value
        assert assert_arrived_once_under_its_ids(client, site.base, [CASE]) > 20
        assert "Provenance" in {name.partition("/")[0] for name in made_by_service(client, [CASE])}
        left_out = {
            reference
            for entry in client.audit()
            if entry["action"] == "outcome"
            for reference in entry["detail"].get("left_out", ())
        }
        assert left_out == {name for name in made_by_service(client, [CASE]) if name.startswith("Provenance/")}
