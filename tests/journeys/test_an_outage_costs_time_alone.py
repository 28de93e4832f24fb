"""While the destination is down one probe knocks, what waits is read ahead, and only what fails alone is held."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.support.compare_arrival import assert_arrived_once_under_our_ids
from tests.support.delivering_service import (
    Client,
    example,
    open_demo,
    post_demo,
    quick_settings,
    running_service,
    wait_until,
)
from tests.support.faulty_fhir_server import Exchange, Site, faulty_server, honestly, refusing
from tests.support.stores import rows


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    with faulty_server(tmp_path / "server.sqlite") as opened:
        yield opened


def _circuit(client: Client) -> dict[str, Any]:
    state: dict[str, Any] = client.call("GET", "/v1/destination")
    return state


def test_a_server_that_is_down_is_asked_by_one_probe_at_a_time_and_everything_arrives(
    site: Site, tmp_path: Path
) -> None:
    settings = quick_settings(tmp_path / "s.sqlite", site.base, retry_first_seconds=0.4, retry_max_seconds=0.5)
    with running_service(settings) as client:
        open_demo(client)
        site.server.standing = refusing(503, "transient")
        for number in range(10):
            client.call("PUT", f"/v1/devices/D-{number + 10}", {"type": "defibrillator"}, wanted=201)
        wait_until(lambda: _circuit(client)["circuit"] == "open", 10)
        state = _circuit(client)
        assert (state["usable"], state["problem"]) == (False, "the server answered 503")
        before = len(site.server.posts)
        wait_until(lambda: len(site.server.posts) >= before + 3, 20)
        assert client.counts()["waiting"] == 10
        site.server.standing = honestly
        client.until_nothing_waits(20)
        assert _circuit(client)["circuit"] == "closed"
        # Ten lanes that knock by themselves would have come to many more in this time.
        assert len(site.server.posts) < before + 40


def test_what_waits_is_read_ahead_while_the_server_is_down(site: Site, tmp_path: Path) -> None:
    settings = quick_settings(tmp_path / "s.sqlite", site.base)
    with running_service(settings) as client:
        open_demo(client)
        site.down()
        answer = client.call("POST", "/v1/cases/c-demo/events", example("demo/events.json"), wanted=207)
        unread = "SELECT count(*) FROM deliveries WHERE state = 'waiting' AND read_twice = 0"
        wait_until(lambda: rows(settings.store, unread) == [(0,)], 20)
        assert client.counts()["waiting"] == len(answer["outcomes"])
        assert _waited(client) > 0
        site.up()
        client.until_nothing_waits(20)
        assert_arrived_once_under_our_ids(client, site.base, ["c-demo"])
        assert _waited(client) == 0


def _waited(client: Client) -> float:
    text = client.http.get(f"{client.base}/metrics").text
    (value,) = re.findall(r"^resus_delivery_oldest_waiting_seconds (\S+)$", text, re.MULTILINE)
    return float(value)


async def _failing_at_remarks(exchange: Exchange) -> None:
    fault = refusing(500, "exception") if b"Poison" in exchange.body else honestly
    await fault(exchange)


def test_a_delivery_at_which_the_server_fails_each_time_is_held_in_the_end_and_the_others_arrive(
    site: Site, tmp_path: Path
) -> None:
    settings = quick_settings(tmp_path / "s.sqlite", site.base, retry_most_errors=6)
    with running_service(settings) as client:
        post_demo(client)
        client.until_nothing_waits()
        site.server.standing = _failing_at_remarks
        remark = {"kind": "remark", "at": "2031-03-02T10:00:00+01:00"}
        sent = [{**remark, "id": f"r-{n}", "text": "Poison." if n == 1 else "Water."} for n in range(3)]
        answer = client.call("POST", "/v1/cases/c-demo/events", sent, wanted=207)
        assert {outcome["outcome"] for outcome in answer["outcomes"]} == {"accepted"}
        client.until_nothing_waits(30)
        (held,) = client.deliveries("held")
        assert held["last_error"] == "the server answered 500 each time it was sent"
        assert held["outcome"]["resourceType"] == "OperationOutcome"
        site.server.standing = honestly
        client.call("POST", f"/v1/deliveries/{held['id']}/retry")
        client.until_nothing_waits(20)
        assert client.deliveries("held") == []
        assert_arrived_once_under_our_ids(client, site.base, ["c-demo"])


def test_a_server_that_fails_a_few_times_holds_nothing(site: Site, tmp_path: Path) -> None:
    settings = quick_settings(tmp_path / "s.sqlite", site.base, retry_most_errors=6)
    site.server.script(*[refusing(500, "exception")] * 5)
    with running_service(settings) as client:
        post_demo(client)
        client.until_nothing_waits(30)
        assert client.deliveries("held") == []
        assert_arrived_once_under_our_ids(client, site.base, ["c-demo"])
