"""One exchange over HTTP: what goes out, what comes back, and the sentence where nothing does."""

from __future__ import annotations

import asyncio
import gzip
import socket
import warnings
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field

import pytest

from service.delivery.exchange import Answer, HttpPool, Request, UnreachableError

OK = b"HTTP/1.1 200 OK\r\nContent-Length: 2\r\n\r\n{}"

Play = Callable[[asyncio.StreamWriter], Awaitable[None]]


def saying(what: bytes) -> Play:
    async def play(writer: asyncio.StreamWriter) -> None:
        writer.write(what)

    return play


async def hanging_up(writer: asyncio.StreamWriter) -> None:
    writer.close()


async def dripping(writer: asyncio.StreamWriter) -> None:
    writer.write(b"HTTP/1.1 200 OK\r\nContent-Length: 100000\r\n\r\n")
    while True:
        writer.write(b" ")
        await writer.drain()
        await asyncio.sleep(0.02)


@dataclass
class Server:
    """A server of bytes, which plays one thing for each request."""

    play: Play
    heads: list[bytes] = field(default_factory=list)
    bodies: list[bytes] = field(default_factory=list)
    connections: int = 0
    port: int = 0

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.connections += 1
        try:
            while True:
                head = await reader.readuntil(b"\r\n\r\n")
                self.heads.append(head)
                lengths = [line for line in head.split(b"\r\n") if line.lower().startswith(b"content-length:")]
                self.bodies.append(await reader.readexactly(int(lengths[0][15:]) if lengths else 0))
                await self.play(writer)
                await writer.drain()
        except (asyncio.IncompleteReadError, ConnectionError):
            pass
        finally:
            writer.close()


async def sent(
    server: Server, *requests: tuple[str, str, bytes | None], timeout_seconds: float = 5
) -> list[Answer]:
    """Send requests one after the other to a server that listens meanwhile."""
    listening = await asyncio.start_server(server.serve, "127.0.0.1", 0)
    server.port = listening.sockets[0].getsockname()[1]
    pool = HttpPool(connections=2)
    try:
        return [
            await pool.send(
                Request(method, f"http://127.0.0.1:{server.port}{path}", {"User-Agent": "resus-fhir"}, body),
                timeout_seconds,
            )
            for method, path, body in requests
        ]
    finally:
        await pool.close()
        listening.close()


GET = ("GET", "/fhir/metadata", None)


def test_the_address_goes_out_as_it_is_spelled() -> None:
    server = Server(saying(OK))
    asyncio.run(sent(server, ("GET", "/fhir/Patient?identifier=urn%3Aietf%7C%2Fx+y%20z", None)))
    assert server.heads[0].startswith(b"GET /fhir/Patient?identifier=urn%3Aietf%7C%2Fx+y%20z HTTP/1.1\r\n")


def test_requests_share_a_connection_and_no_cookie_comes_back() -> None:
    head = b'HTTP/1.1 200 OK\r\nSet-Cookie: a=b; Path=/\r\nETag: W/"3"\r\nContent-Length: 2\r\n\r\n'
    server = Server(saying(head + b"{}"))
    first, second = asyncio.run(sent(server, GET, GET))
    assert server.connections == 1
    assert b"cookie" not in server.heads[1].lower()
    assert (first.status, first.headers["etag"], second.body) == (200, 'W/"3"', b"{}")


@pytest.mark.parametrize("size", [0, 1, 70_000, 3 * 1024 * 1024])
def test_a_body_arrives_byte_for_byte(size: int) -> None:
    server = Server(saying(OK))
    body = bytes(place % 251 for place in range(size))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        asyncio.run(sent(server, ("POST", "/fhir", body)))
    assert server.bodies == [body]
    assert b"transfer-encoding" not in server.heads[0].lower()


def test_an_answer_that_is_packed_is_unpacked() -> None:
    packed = gzip.compress(b'{"resourceType":"Bundle"}')
    head = b"HTTP/1.1 200 OK\r\nContent-Encoding: gzip\r\nContent-Length: %d\r\n\r\n" % len(packed)
    (answer,) = asyncio.run(sent(Server(saying(head + packed)), GET))
    assert answer.body == b'{"resourceType":"Bundle"}'


@pytest.mark.parametrize("status", [301, 302, 303, 307, 308])
def test_a_redirect_is_an_answer_and_is_not_followed(status: int) -> None:
    head = b"HTTP/1.1 %d Elsewhere\r\nLocation: /elsewhere\r\nContent-Length: 0\r\n\r\n" % status
    server = Server(saying(head))
    (answer,) = asyncio.run(sent(server, ("POST", "/fhir", b"{}")))
    assert (answer.status, answer.headers["location"]) == (status, "/elsewhere")
    assert len(server.heads) == 1


def test_a_proxy_of_the_environment_is_not_asked(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("http_proxy", "HTTP_PROXY", "all_proxy", "ALL_PROXY"):
        monkeypatch.setenv(name, "http://127.0.0.1:1")
    (answer,) = asyncio.run(sent(Server(saying(OK)), GET))
    assert answer.status == 200


NO_ANSWER = {
    "hangs up": (hanging_up, "no answer from 127.0.0.1:PORT: ServerDisconnectedError"),
    "no HTTP": (saying(b"SSH-2.0-OpenSSH_9.6\r\n"), "no answer from 127.0.0.1:PORT: "),
    "drips": (dripping, "no answer from 127.0.0.1:PORT within 0.3 seconds (TimeoutError)"),
    "half an answer": (
        saying(b"HTTP/1.1 200 OK\r\nContent-Length: 10\r\nConnection: close\r\n\r\n{}"),
        "no answer from 127.0.0.1:PORT",
    ),
    "not packed as it says": (
        saying(b"HTTP/1.1 200 OK\r\nContent-Encoding: gzip\r\nContent-Length: 2\r\n\r\n{}"),
        "no answer from 127.0.0.1:PORT: ClientPayloadError",
    ),
    "far too much": (
        saying(b"HTTP/1.1 200 OK\r\nContent-Length: 40000000\r\n\r\n" + b" " * 40_000_000),
        "the answer is too large",
    ),
    "a packed flood": (
        saying(
            b"HTTP/1.1 200 OK\r\nContent-Encoding: gzip\r\nConnection: close\r\n\r\n"
            + gzip.compress(b" " * 100_000_000)
        ),
        "the answer is too large",
    ),
}


@pytest.mark.parametrize("name", NO_ANSWER)
def test_where_no_answer_comes_a_sentence_says_why(name: str) -> None:
    play, told = NO_ANSWER[name]
    server = Server(play)
    limit = 0.3 if play is dripping else 10
    with pytest.raises(UnreachableError) as caught:
        asyncio.run(sent(server, ("POST", "/fhir", b'{"hush":1}'), timeout_seconds=limit))
    assert str(caught.value).startswith(told.replace("PORT", str(server.port)))
    assert "hush" not in str(caught.value)
    assert len(server.heads) == 1, "what may have been acted on is sent again by whoever keeps the schedule alone"


async def asked(url: str) -> None:
    pool = HttpPool(connections=1)
    try:
        await pool.send(Request("GET", url, {}), 30)
    finally:
        await pool.close()


@pytest.mark.parametrize("host", ["127.0.0.1", "localhost"])
def test_a_port_where_nothing_listens_is_told(host: str) -> None:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    with pytest.raises(UnreachableError, match=f"^nothing listens at {host}:{port}$"):
        asyncio.run(asked(f"http://{host}:{port}/fhir"))


def test_a_name_that_is_not_known_is_told() -> None:
    with pytest.raises(UnreachableError, match=r"^the name nowhere\.invalid is not known$"):
        asyncio.run(asked("http://nowhere.invalid/fhir"))


def test_a_server_without_tls_is_told() -> None:
    async def greet(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read(1)
        writer.write(b"HTTP/1.1 400 Bad Request\r\nContent-Length: 0\r\n\r\n")
        writer.close()

    async def asked_with_tls() -> None:
        listening = await asyncio.start_server(greet, "127.0.0.1", 0)
        try:
            await asked(f"https://127.0.0.1:{listening.sockets[0].getsockname()[1]}/fhir")
        finally:
            listening.close()

    with pytest.raises(UnreachableError, match=r"^TLS with 127\.0\.0\.1:\d+ failed: "):
        asyncio.run(asked_with_tls())


def test_a_request_shows_no_header_and_no_body() -> None:
    assert "hush" not in repr(Request("POST", "http://x/fhir", {"Authorization": "Bearer hush"}, b"hush"))
