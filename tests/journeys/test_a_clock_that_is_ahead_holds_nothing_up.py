"""Machines that share a store have clocks of their own; what one that is ahead put off goes out all the same."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from service.clock import Clock, system_clock
from service.demo import free_port
from service.main import ServeOptions, build_application
from service.settings import Settings
from tests.support.compare_arrival import assert_arrived_once_under_our_ids
from tests.support.delivering_service import Client, post_demo, quick_settings, wait_until
from tests.support.faulty_fhir_server import Site, faulty_server, honestly, refusing
from tests.support.served_in_thread import served


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    with faulty_server(tmp_path / "server.sqlite") as opened:
        yield opened


def three_hours_ahead() -> datetime:
    return system_clock() + timedelta(hours=3)


def _post_and_then_fail(settings: Settings, site: Site, clock: Clock) -> None:
    """Take a case in and fail to deliver it, by a clock."""
    site.server.standing = refusing(503)
    port = free_port()
    with served(build_application(settings, ServeOptions(f"http://127.0.0.1:{port}"), clock), port):
        client = Client(f"http://127.0.0.1:{port}")
        post_demo(client)
        wait_until(lambda: len(site.server.posts) > 2, 10)
        client.http.close()


def test_what_a_clock_put_off_that_was_ahead_goes_out_at_once_by_one_that_is_right(
    site: Site, tmp_path: Path
) -> None:
    settings = quick_settings(tmp_path / "s.sqlite", site.base)
    _post_and_then_fail(settings, site, three_hours_ahead)
    port = free_port()
    with served(build_application(settings, ServeOptions(f"http://127.0.0.1:{port}")), port):
        client = Client(f"http://127.0.0.1:{port}")
        assert client.deliveries("waiting")
        site.server.standing = honestly
        client.until_nothing_waits(15)
        assert client.deliveries("held") == []
        assert assert_arrived_once_under_our_ids(client, site.base, ["c-demo"]) > 20
        client.http.close()
