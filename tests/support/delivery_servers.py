"""The FHIR servers of other people that the delivery suite delivers to, how, and how its tests share them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import httpx
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
        needs=(pytest.mark.java,),
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


class StartedServers:
    """Servers that many tests share, since a start takes longer than most tests: each started when first asked for.

    A test that shares one takes identifiers of its own. Only where all who share them expect it may one be killed.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._running: dict[str, RunningServer] = {}

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for server in self._running.values():
            server.stop()

    def running(self, name: str) -> RunningServer:
        """Return the server of that name in SERVERS; the first time it is started, with an empty store."""
        if name not in self._running:
            self._running[name] = SERVERS[name].start(self._folder / name, None)
        return self._running[name]

    def kill(self, name: str) -> None:
        """End a running server as a power cut would."""
        self._running[name].kill()

    def restart(self, name: str) -> None:
        """Bring a killed server back at its address, with what it stored."""
        port = httpx.URL(self._running[name].base_url).port
        self._running[name] = SERVERS[name].start(self._folder / name, port)
