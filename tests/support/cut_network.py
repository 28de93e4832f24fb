"""A network that can be cut: a process of its own that passes connections on, route by route, until told not to.

`refuse` drops what is connected and refuses what is new; `swallow` takes everything and passes nothing on, as a
cable does that was pulled. What was swallowed never arrives later: those connections are dropped when it ends.
"""

from __future__ import annotations

import asyncio
import subprocess
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, Self, cast

import uvloop

from service.demo import free_port

ROOT = Path(__file__).parents[2]
Mode = Literal["open", "refuse", "swallow"]


@dataclass(frozen=True, slots=True)
class Route:
    """Where a route listens and leads to. `source` is the address from which it connects, by which it is known."""

    name: str
    port: int
    target: int
    source: str

    def spelled(self) -> str:
        """Return the route as an argument of the process."""
        return f"{self.name},{self.port},{self.target},{self.source}"


class _Half(asyncio.Protocol):
    """One end of a connection, which hands what it gets to the other one."""

    def __init__(self, way: _Way) -> None:
        self._way = way
        self.other: _Half | None = None
        self.transport: asyncio.Transport | None = None
        self._early = bytearray()

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self.transport = cast(asyncio.Transport, transport)
        self._way.halves.add(self)

    def join(self, other: _Half) -> None:
        """Have the two ends hand on to each other, beginning with what came before."""
        self.other, other.other = other, self
        if self._early and other.transport is not None:
            other.transport.write(bytes(self._early))
            self._early.clear()

    def data_received(self, data: bytes) -> None:
        if self._way.mode == "swallow":
            return
        if self.other is None or self.other.transport is None:
            self._early += data
        else:
            self.other.transport.write(data)

    def connection_lost(self, exc: Exception | None) -> None:
        self._way.halves.discard(self)
        if self.other is not None and self.other.transport is not None and self._way.mode != "swallow":
            self.other.transport.abort() if exc else self.other.transport.close()


class _Near(_Half):
    """The end at which somebody has connected to us."""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        super().connection_made(transport)
        self._connecting = asyncio.ensure_future(self._connect())

    async def _connect(self) -> None:
        way = self._way
        if way.mode == "swallow":
            return
        try:
            _, far = await asyncio.get_running_loop().create_connection(
                lambda: _Half(way), "127.0.0.1", way.route.target, local_addr=(way.route.source, 0)
            )
        except OSError:
            self.drop()
        else:
            self.join(far)

    def drop(self) -> None:
        """Break the connection."""
        if self.transport is not None:
            self.transport.abort()


class _Way:
    """A route at work."""

    def __init__(self, route: Route) -> None:
        self.route = route
        self.mode: Mode = "open"
        self.halves: set[_Half] = set()
        self._server: asyncio.Server | None = None

    async def listen(self) -> None:
        """Take connections."""
        loop = asyncio.get_running_loop()
        self._server = await loop.create_server(lambda: _Near(self), "127.0.0.1", self.route.port)

    async def change(self, mode: Mode) -> None:
        """Pass on, refuse, or swallow from now on; what is connected is dropped but where it is swallowed."""
        before, self.mode = self.mode, mode
        if mode == "refuse" and self._server is not None:
            self._server.close()
            self._server = None
        if mode not in ("swallow", before):
            for half in tuple(self.halves):
                if half.transport is not None:
                    half.transport.abort()
        if mode != "refuse" and self._server is None:
            await self.listen()


async def _serve(routes: Sequence[Route]) -> None:
    ways = {route.name: _Way(route) for route in routes}
    for way in ways.values():
        await way.listen()
    print("ready", flush=True)
    loop = asyncio.get_running_loop()
    while line := await loop.run_in_executor(None, sys.stdin.readline):
        name, mode = line.split()
        await ways[name].change(cast(Mode, mode))
        print("done", flush=True)


class Network:
    """The routes of a run; ends with its context."""

    def __init__(self, targets: Mapping[str, int]) -> None:
        self.routes = {
            # PostgreSQL trusts the machine's first address alone; only the FHIR server is to tell callers apart.
            name: Route(name, free_port(), target, f"127.0.1.{number}" if name.startswith("fhir-") else "127.0.0.1")
            for number, (name, target) in enumerate(targets.items(), start=1)
        }

    def __enter__(self) -> Self:
        """Start the process and wait until it listens."""
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.support.cut_network", *(one.spelled() for one in self.routes.values())],
            cwd=ROOT,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        self._answered("ready")
        return self

    def __exit__(self, *_: object) -> None:
        """End the process."""
        self._process.kill()
        # This closes its pipes, too.
        self._process.communicate()

    def change(self, name: str, mode: Mode) -> None:
        """Have a route pass on, refuse or swallow from now on."""
        assert self._process.stdin is not None
        self._process.stdin.write(f"{name} {mode}\n")
        self._process.stdin.flush()
        self._answered("done")

    def _answered(self, wanted: str) -> None:
        assert self._process.stdout is not None
        answer = self._process.stdout.readline().strip()
        assert answer == wanted, f"the network answered {answer!r}"


def main(arguments: Sequence[str]) -> None:
    """Pass connections on along the routes named by the arguments."""
    routes = []
    for argument in arguments:
        name, port, target, source = argument.split(",")
        routes.append(Route(name, int(port), int(target), source))
    uvloop.run(_serve(routes))


if __name__ == "__main__":
    main(sys.argv[1:])
