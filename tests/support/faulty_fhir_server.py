"""A FHIR server that fails on purpose: the embedded endpoint behind a layer that plays the faults of a script.

Results against it say what the service does in such a case; they are not results of another implementation.
"""

from __future__ import annotations

import asyncio
import socket
import struct
from collections import deque
from collections.abc import Awaitable, Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from starlette.applications import Starlette
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.checking.check_resource import check_resource
from service.checking.table import COVERED_RESOURCES
from service.clock import random_id, system_clock
from service.demo import free_port
from service.endpoint.application import Endpoint, create_endpoint
from service.endpoint.mount_endpoint import routes_at
from service.exact_json import read_json, write_json
from tests.support.served_in_thread import served

PATH = "/fhir"


@dataclass(frozen=True, slots=True)
class Told:
    """An answer as it goes over the wire."""

    status: int
    headers: Mapping[str, str]
    body: bytes

    @property
    def json(self) -> Any:
        """Return what the body spells."""
        return read_json(self.body)


class Exchange:
    """One request and the ways in which it can be answered."""

    def __init__(self, endpoint: ASGIApp, scope: Scope, body: bytes, send: Send) -> None:
        self._endpoint = endpoint
        self._scope = scope
        self._send = send
        self.body = body

    @property
    def method(self) -> str:
        """Return the method of the request."""
        return str(self._scope["method"])

    @property
    def path(self) -> str:
        """Return the path of the request, without a slash at its end."""
        return str(self._scope["path"]).rstrip("/")

    @property
    def is_bundle(self) -> bool:
        """Return whether a Bundle is posted to the base."""
        return self.method == "POST" and self.path == PATH

    @property
    def is_metadata(self) -> bool:
        """Return whether the CapabilityStatement is asked for."""
        return self.path == f"{PATH}/metadata"

    async def honest(self) -> Told:
        """Have the endpoint do what is asked, and return what it would answer."""
        status, headers, body = 0, {}, bytearray()
        unread = True

        async def receive() -> Message:
            nonlocal unread
            if unread:
                unread = False
                return {"type": "http.request", "body": self.body, "more_body": False}
            return {"type": "http.disconnect"}

        async def send(message: Message) -> None:
            nonlocal status, headers
            if message["type"] == "http.response.start":
                status = message["status"]
                headers = {name.decode(): value.decode() for name, value in message["headers"]}
            else:
                body.extend(message.get("body", b""))

        await self._endpoint(self._scope, receive, send)
        return Told(status, headers, bytes(body))

    async def tell(self, told: Told, *, piece_seconds: float = 0.0) -> None:
        """Send an answer; with `piece_seconds`, byte after byte with that pause between."""
        headers = {**told.headers, "content-length": str(len(told.body))}
        await self._send(
            {
                "type": "http.response.start",
                "status": told.status,
                "headers": [(name.encode(), value.encode()) for name, value in headers.items()],
            }
        )
        if piece_seconds:
            for place in range(len(told.body)):
                await self._send(
                    {"type": "http.response.body", "body": told.body[place : place + 1], "more_body": True}
                )
                await asyncio.sleep(piece_seconds)
        else:
            await self._send({"type": "http.response.body", "body": told.body, "more_body": True})
        await self._send({"type": "http.response.body", "body": b"", "more_body": False})

    def reset(self) -> None:
        """Break the connection as a failing network does (RST), whatever has been sent."""
        # ASGI has no word for this; uvicorn's own cycle, whose method `send` is, knows its transport.
        transport: asyncio.Transport = self._send.__self__.transport  # type: ignore[attr-defined]  # The server's own method; no public way leads to its connection.
        opened = transport.get_extra_info("socket")
        opened.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        transport.abort()


SomeExchange = TypeVar("SomeExchange", bound=Exchange)


async def read_exchange(
    kind: type[SomeExchange], app: ASGIApp, scope: Scope, receive: Receive, send: Send
) -> SomeExchange | None:
    """Return the exchange that a request begins, once its body is there; None where the caller hangs up before."""
    body = bytearray()
    while True:
        message = await receive()
        if message["type"] == "http.disconnect":
            return None
        body += message.get("body", b"")
        if not message.get("more_body", False):
            return kind(app, scope, bytes(body), send)


Fault = Callable[[Exchange], Awaitable[None]]


async def honestly(exchange: Exchange) -> None:
    """Answer as the endpoint does."""
    await exchange.tell(await exchange.honest())


async def reset_before(exchange: Exchange) -> None:
    """Break the connection before anything is done."""
    exchange.reset()


async def reset_after(exchange: Exchange) -> None:
    """Do what is asked, then break the connection instead of answering."""
    await exchange.honest()
    exchange.reset()


def drip(seconds: float) -> Fault:
    """Do what is asked, then answer a byte every `seconds`, which no reader of sense waits for."""

    async def play(exchange: Exchange) -> None:
        await exchange.tell(await exchange.honest(), piece_seconds=seconds)

    return play


def answering(status: int, body: bytes, media_type: str, *, done: bool = False, **headers: str) -> Fault:
    """Answer with `status` and `body`, after doing what is asked where it is `done`."""

    async def play(exchange: Exchange) -> None:
        if done:
            await exchange.honest()
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        await exchange.tell(Told(status, {"content-type": media_type, **named}, body))

    return play


def outcome_body(code: str, diagnostics: str) -> bytes:
    """Return an OperationOutcome as the server would spell it."""
    return write_json(
        {
            "resourceType": "OperationOutcome",
            "issue": [{"severity": "error", "code": code, "diagnostics": diagnostics}],
        }
    )


def refusing(status: int, code: str = "processing", **headers: str) -> Fault:
    """Answer with `status` and an OperationOutcome, having done nothing."""
    return answering(
        status, outcome_body(code, f"scripted {status}"), "application/fhir+json", done=False, **headers
    )


def html(status: int, *, done: bool = False) -> Fault:
    """Answer as a gateway does that knows nothing of FHIR."""
    return answering(status, b"<html><body><h1>Gateway</h1></body></html>", "text/html", done=done)


async def as_a_batch(exchange: Exchange) -> None:
    """Do what is asked and call the answer one to a batch, as a server does that takes a transaction for one."""
    told = await exchange.honest()
    await exchange.tell(Told(told.status, told.headers, write_json({**told.json, "type": "batch-response"})))


async def half_the_entries(exchange: Exchange) -> None:
    """Do what is asked and answer for half of it."""
    told = await exchange.honest()
    answer = told.json
    answer["entry"] = answer["entry"][: len(answer["entry"]) // 2]
    await exchange.tell(Told(told.status, told.headers, write_json(answer)))


async def half_done(exchange: Exchange) -> None:
    """Do half of what is asked, as a server may that takes a transaction for a batch, and answer for that half."""
    bundle = read_json(exchange.body)
    bundle["entry"] = bundle["entry"][: len(bundle["entry"]) // 2]
    exchange.body = write_json(bundle)
    told = await exchange.honest()
    # Half of it may not be a Bundle that the endpoint takes; then nothing is done.
    nothing = b'{"resourceType":"Bundle","type":"transaction-response"}'
    await exchange.tell(
        Told(200, {"content-type": "application/fhir+json"}, told.body if told.status == 200 else nothing)
    )


async def failing_entries(exchange: Exchange) -> None:
    """Do nothing, and answer as to a batch of which every entry failed."""
    failed = [{"response": {"status": "500 Internal Server Error"}}] * len(read_json(exchange.body)["entry"])
    answer = {"resourceType": "Bundle", "type": "batch-response", "entry": failed}
    await exchange.tell(Told(200, {"content-type": "application/fhir+json"}, write_json(answer)))


def redirecting(location: str) -> Fault:
    """Answer that the Bundle is to be sent elsewhere, with its method and body."""
    return answering(307, b"", "text/plain", location=location)


def refusing_type(resource_type: str) -> Fault:
    """Refuse, with 422 and an OperationOutcome, every Bundle that brings a resource of one type."""

    async def play(exchange: Exchange) -> None:
        types = [entry["resource"]["resourceType"] for entry in read_json(exchange.body)["entry"]]
        fault = refusing(422, "business-rule") if resource_type in types else honestly
        await fault(exchange)

    return play


class FaultyServer:
    """The layer: plays one scripted fault for each Bundle, then the standing one, and keeps what it was sent."""

    def __init__(self, endpoint: Endpoint) -> None:
        self._app: ASGIApp = Starlette(routes=routes_at(PATH, endpoint))
        self._script: deque[Fault] = deque()
        self.standing: Fault = honestly
        self.metadata: Fault = honestly
        self.others: Fault = honestly
        """How everything is answered that is neither a Bundle nor the question what the server can do."""
        self.posts: list[bytes] = []
        """The bodies of all Bundles that came, in order, whatever became of them."""
        self.faulted: list[bytes] = []
        """Those of them for which a scripted fault was played."""

    def script(self, *faults: Fault) -> None:
        """Play `faults`, one for each Bundle that comes."""
        self._script.extend(faults)

    @property
    def played(self) -> bool:
        """Return whether every scripted fault has been played."""
        return not self._script

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Take a request and answer it as the script says."""
        exchange = await read_exchange(Exchange, self._app, scope, receive, send)
        if exchange is None:
            return
        if exchange.is_metadata:
            await self.metadata(exchange)
        elif exchange.is_bundle:
            self.posts.append(exchange.body)
            fault = self.standing
            if self._script:
                self.faulted.append(exchange.body)
                fault = self._script.popleft()
            await fault(exchange)
        else:
            await self.others(exchange)


class Site:
    """A place where the server stands: its address and its store stay when it goes down and comes back."""

    def __init__(self, store_path: Path) -> None:
        self._port = free_port()
        self._store_path = store_path
        self._running = ExitStack()
        self.base = f"http://127.0.0.1:{self._port}{PATH}"
        self.server = self._fresh()

    def _fresh(self) -> FaultyServer:
        self._endpoint = create_endpoint(
            self._store_path,
            check=check_resource,
            clock=system_clock,
            make_id=random_id,
            served=frozenset(COVERED_RESOURCES),
        )
        return FaultyServer(self._endpoint)

    def up(self) -> None:
        """Have the server listen."""
        self._running.enter_context(served(self.server, self._port, lifespan="off"))

    def down(self) -> None:
        """Have nobody listen at the address."""
        self._running.close()

    def close(self) -> None:
        """Go down for good."""
        self.down()
        self._endpoint.close()


@contextmanager
def faulty_server(store_path: Path) -> Iterator[Site]:
    """Yield a site whose server listens."""
    site = Site(store_path)
    try:
        site.up()
        yield site
    finally:
        site.close()
