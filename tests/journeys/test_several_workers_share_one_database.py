"""Several services and workers on one database: everything arrives once, and no two of them are in one case."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest

from tests.support.compare_arrival import assert_arrived_once_under_our_ids
from tests.support.delivering_service import Client, example, quick_settings, running_service
from tests.support.faulty_fhir_server import Site, faulty_server, refusing, reset_after

pytestmark = pytest.mark.postgresql


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    with faulty_server(tmp_path / "server.sqlite") as opened:
        yield opened


def _play(client: Client, number: int) -> str:
    case_id = f"c-{number}"
    case = example("demo/case.json")
    case["patient"]["identifier"]["value"] = f"P-{number}"
    case["encounter"]["value"] = f"E-{number}"
    client.call("PUT", f"/v1/cases/{case_id}", case, wanted=201)
    answer = client.call("POST", f"/v1/cases/{case_id}/events", example("demo/events.json"), wanted=207)
    assert {outcome["outcome"] for outcome in answer["outcomes"]} == {"accepted"}
    return case_id


def _assert_one_at_a_time(entries: list[dict[str, Any]]) -> None:
    """Assert that in each lane an attempt is settled before the next one begins, whoever makes it."""
    under_way: set[str] = set()
    for entry in entries:
        lane = entry["subject"]
        if entry["action"] == "attempt":
            assert lane not in under_way, f"two attempts at once in {lane}"
            under_way.add(lane)
        elif entry["action"] == "outcome":
            under_way.remove(lane)
    assert not under_way


def test_three_services_take_and_deliver_together_and_everything_arrives_once(site: Site, tmp_path: Path) -> None:
    settings = quick_settings(tmp_path / "s.sqlite", site.base)
    site.server.script(*[reset_after, refusing(503, "transient"), refusing(500, "exception")] * 5)
    with ExitStack() as stack:
        clients = [stack.enter_context(running_service(settings)) for _ in range(3)]
        with ThreadPoolExecutor(6) as pool:
            cases = list(pool.map(lambda number: _play(clients[number % 3], number), range(12)))
        clients[0].until_nothing_waits(60)
        assert clients[0].deliveries("held") == []
        assert assert_arrived_once_under_our_ids(clients[0], site.base, cases) > 12 * 50
        _assert_one_at_a_time(clients[0].audit())
    assert site.server.played


def test_the_same_event_sent_to_two_services_at_once_is_taken_once(site: Site, tmp_path: Path) -> None:
    settings = quick_settings(tmp_path / "s.sqlite", site.base)
    events = example("demo/events.json")
    with running_service(settings) as first, running_service(settings) as second, ThreadPoolExecutor(8) as pool:
        first.call("PUT", "/v1/cases/c-1", example("demo/case.json"), wanted=201)
        for event in events:
            both = [
                pool.submit(client.call, "POST", "/v1/cases/c-1/events", event, wanted=201)
                for client in (first, second) * 2
            ]
            outcomes = [one.result()["outcome"] for one in both]
            assert sorted(outcomes) == ["accepted", "duplicate", "duplicate", "duplicate"]
        first.until_nothing_waits(30)
        assert_arrived_once_under_our_ids(first, site.base, ["c-1"])


def test_a_worker_that_stops_gives_its_lanes_back_so_that_the_next_goes_on_at_once(
    site: Site, tmp_path: Path
) -> None:
    # A lease that was left behind would keep the lane for longer than is waited for here.
    settings = quick_settings(tmp_path / "s.sqlite", site.base, timeout_seconds=1)
    with running_service(settings) as first:
        _play(first, 1)
        first.until_nothing_waits()
    with running_service(settings) as second:
        _play(second, 2)
        second.until_nothing_waits(8)
        assert_arrived_once_under_our_ids(second, site.base, ["c-1", "c-2"])
