"""The FHIR servers of other people that the delivery suite delivers to, and how."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from service.settings import Strategy
from tests.support.third_party_servers import (
    RunningServer,
    start_hapi_jpa,
    start_medplum_router,
    start_sekmet,
)

Start = Callable[[Path, int | None], RunningServer]


@dataclass(frozen=True, slots=True)
class Server:
    """How a server is started, and what of it decides how we deliver to it and what can be tested."""

    start: Start
    auto: Strategy
    """What `auto` comes to by what the server says of itself."""
    others: tuple[Strategy, ...]
    """The further strategies that it can be delivered to by."""
    needs: tuple[pytest.MarkDecorator, ...] = ()
    keeps: bool = True
    """Whether it still has after a restart what it stored."""
    settings: Mapping[str, Any] = field(default_factory=dict)
    """Settings of the service that differ from those of the other servers."""

    @property
    def strategies(self) -> tuple[Strategy, ...]:
        """Return the strategies that it is delivered to by."""
        return (Strategy.AUTO, *self.others)


SERVERS: Mapping[str, Server] = {
    "sekmet": Server(
        start_sekmet,
        auto=Strategy.CLIENT_IDS,
        others=(Strategy.CONDITIONAL_UPDATE, Strategy.CONDITIONAL_CREATE),
    ),
    "hapi-jpa": Server(
        start_hapi_jpa,
        auto=Strategy.CONDITIONAL_UPDATE,
        others=(Strategy.CLIENT_IDS, Strategy.CONDITIONAL_CREATE),
        needs=(pytest.mark.java, pytest.mark.hapi),
        # Under load a first transaction takes it seconds.
        settings={"timeout_seconds": 60},
    ),
    "medplum-router": Server(
        start_medplum_router,
        auto=Strategy.CONDITIONAL_UPDATE,
        others=(Strategy.CONDITIONAL_CREATE,),
        needs=(pytest.mark.node,),
        keeps=False,
    ),
}
