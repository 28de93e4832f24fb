"""docs/servers.md says of each server what it does when it is asked again."""

from __future__ import annotations

import pytest

from tests.support.delivery_servers import SERVERS, StartedServers
from tests.support.servers_page import PAGE, QUESTIONS, measure_column, read_column

pytestmark = pytest.mark.server


@pytest.mark.parametrize("name", [pytest.param(name, marks=server.needs) for name, server in SERVERS.items()])
def test_the_table_says_what_the_server_does(name: str, servers: StartedServers) -> None:
    shown = read_column(PAGE.read_text(encoding="utf-8"), name)
    assert tuple(shown) == QUESTIONS
    assert shown == measure_column(name, servers.running(name).base_url)
