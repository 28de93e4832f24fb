"""A destination answers every other Bundle with what nobody understands, for a while; nothing is held by that."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import cycle
from pathlib import Path

import pytest

from service.settings import Strategy
from tests.support.compare_arrival import assert_arrived_once_under_its_ids, assert_arrived_once_under_our_ids
from tests.support.delivering_service import (
    Client,
    case_of_another_patient,
    example,
    post_demo,
    quick_settings,
    running_service,
)
from tests.support.faulty_fhir_server import (
    Exchange,
    Fault,
    Site,
    answering,
    as_a_batch,
    failing_entries,
    faulty_server,
    half_done,
    half_the_entries,
    honestly,
    refusing,
)

CASES = ["c-demo", "c-other"]
NOT_UNDERSTOOD: list[Fault] = [
    failing_entries,
    half_the_entries,
    refusing(409, "conflict"),
    half_done,
    as_a_batch,
    answering(200, b'{"resourceType":"Parameters"}', "application/fhir+json", done=True),
]


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    with faulty_server(tmp_path / "server.sqlite") as opened:
        yield opened


class EveryOther:
    """Answers every other Bundle with the next of the faults, until so many have been played."""

    def __init__(self, most: int) -> None:
        self.left = most
        self._faults = cycle(NOT_UNDERSTOOD)
        self._is_next = True

    async def __call__(self, exchange: Exchange) -> None:
        """Answer one Bundle."""
        self._is_next = not self._is_next
        if self._is_next or not self.left:
            await honestly(exchange)
            return
        self.left -= 1
        await next(self._faults)(exchange)


def post_two_cases(client: Client) -> None:
    post_demo(client)
    client.call("PUT", "/v1/cases/c-other", case_of_another_patient(), wanted=201)
    client.call("POST", "/v1/cases/c-other/events", example("demo/events.json"), wanted=207)


@pytest.mark.parametrize("strategy", [Strategy.CLIENT_IDS, Strategy.CONDITIONAL_UPDATE])
def test_what_repeats_safely_is_sent_again_until_all_of_it_has_arrived_once(
    strategy: Strategy, site: Site, tmp_path: Path
) -> None:
    half = EveryOther(2 * len(NOT_UNDERSTOOD))
    site.server.standing = half
    settings = quick_settings(tmp_path / "s.sqlite", site.base, strategy, bundle_max_entries=4)
    with running_service(settings) as client:
        post_two_cases(client)
        client.until_nothing_waits(60)
        assert half.left == 0
        assert client.deliveries("held") == []
        outcomes = {entry["outcome"] for entry in client.audit() if entry["action"] == "outcome"}
        assert outcomes - {"left-out"} == {"arrived", "later"}
        if strategy is Strategy.CLIENT_IDS:
            assert_arrived_once_under_our_ids(client, site.base, CASES)
        else:
            assert_arrived_once_under_its_ids(client, site.base, CASES)


def test_a_destination_that_never_says_what_it_did_has_each_delivery_held_by_itself_in_the_end(
    site: Site, tmp_path: Path
) -> None:
    site.server.standing = failing_entries
    settings = quick_settings(tmp_path / "s.sqlite", site.base, retry_max_seconds=0.05, retry_most_errors=4)
    with running_service(settings) as client:
        client.call("PUT", "/v1/devices/D-3", example("device-check/device.json"), wanted=201)
        client.until_nothing_waits(20)
        (held,) = client.deliveries("held")
        assert held["attempts"] == 4
        assert held["last_error"] == (
            "the server answered a transaction with batch-response, so it is not known what it did"
            " each time it was sent"
        )
        site.server.standing = honestly
        client.call("POST", f"/v1/deliveries/{held['id']}/retry")
        client.until_nothing_waits()
        assert client.deliveries("held") == []


@pytest.mark.parametrize("status", [400, 422])
def test_a_real_refusal_is_held_at_the_first_time(status: int, site: Site, tmp_path: Path) -> None:
    site.server.standing = refusing(status, "business-rule")
    with running_service(quick_settings(tmp_path / "s.sqlite", site.base)) as client:
        client.call("PUT", "/v1/devices/D-3", example("device-check/device.json"), wanted=201)
        client.until_nothing_waits()
        (held,) = client.deliveries("held")
        assert held["attempts"] == 1
