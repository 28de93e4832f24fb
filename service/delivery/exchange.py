"""One exchange over HTTP with a bound on its whole length; why no answer came is said here, once, in a sentence."""

from __future__ import annotations

import asyncio
import io
import socket
import ssl
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Protocol

import aiohttp
from yarl import URL

_MOST_ANSWER_BYTES = 32 * 1024 * 1024
_IDLE_SECONDS = 4.0
"""How long an idle connection is kept: shorter than the 5 s after which common servers hang up by themselves."""
_MOST_BYTES_AT_ONCE = 1024 * 1024
"""A larger body is written piece by piece, so that other exchanges go on meanwhile."""
_NO_TIMEOUT = aiohttp.ClientTimeout(total=None)


class UnreachableError(Exception):
    """No answer came; whether the request was acted on is not known."""


@dataclass(frozen=True, slots=True)
class Request:
    """What is sent. The address goes out as it stands here, so all in it that needs escaping is escaped."""

    method: str
    url: str
    headers: Mapping[str, str] = field(repr=False)
    body: bytes | None = field(default=None, repr=False)


@dataclass(frozen=True, slots=True)
class Answer:
    """What came back: status, headers (names in lower case) and body."""

    status: int
    headers: Mapping[str, str]
    body: bytes


class Http(Protocol):
    """Sends requests."""

    async def send(self, request: Request, timeout_seconds: float) -> Answer:
        """Send a request and return its answer; UnreachableError, which says why, where none comes in time."""

    async def close(self) -> None:
        """Let go of all connections."""


class HttpPool:
    """Sends requests over at most `connections` connections, which are opened when they are needed.

    No redirect is followed, no proxy of the environment asked and no cookie kept: neither patient data nor a
    token reaches another host than the one that was named.
    """

    def __init__(self, *, connections: int, tls: ssl.SSLContext | bool = True) -> None:
        self._connections = connections
        self._tls = tls
        self._session: aiohttp.ClientSession | None = None

    async def send(self, request: Request, timeout_seconds: float) -> Answer:
        """Send a request and return its answer; UnreachableError, which says why, where none comes in time."""
        url = URL(request.url, encoded=True)
        body = request.body
        session = self._opened()
        try:
            # The bound is on the whole exchange: one on each read would let a server drip bytes for ever.
            async with (
                asyncio.timeout(timeout_seconds),
                session.request(
                    request.method,
                    url,
                    headers=request.headers,
                    data=io.BytesIO(body) if body is not None and len(body) > _MOST_BYTES_AT_ONCE else body,
                    allow_redirects=False,
                    timeout=_NO_TIMEOUT,
                ) as response,
            ):
                headers = {name.lower(): value for name, value in response.headers.items()}
                return Answer(response.status, headers, await _read(response))
        except (aiohttp.ClientError, OSError) as error:
            raise UnreachableError(_sentence(error, url, timeout_seconds)) from error

    async def close(self) -> None:
        """Let go of all connections."""
        if self._session is not None:
            await self._session.close()

    def _opened(self) -> aiohttp.ClientSession:
        """Return the session, which belongs to the loop in which the first request is sent."""
        if self._session is None:
            connector = aiohttp.TCPConnector(
                limit=self._connections, ssl=self._tls, keepalive_timeout=_IDLE_SECONDS
            )
            self._session = aiohttp.ClientSession(
                connector=connector, cookie_jar=aiohttp.DummyCookieJar(), trust_env=False
            )
        return self._session


async def _read(response: aiohttp.ClientResponse) -> bytes:
    body = bytearray()
    async for chunk in response.content.iter_any():
        body += chunk
        if len(body) > _MOST_ANSWER_BYTES:
            raise UnreachableError("the answer is too large")
    return bytes(body)


def _causes(error: BaseException | None) -> Iterator[BaseException]:
    """Yield an error and everything that it came from."""
    waiting = [error]
    seen: set[int] = set()
    while waiting:
        found = waiting.pop(0)
        if found is None or id(found) in seen:
            continue
        seen.add(id(found))
        yield found
        if isinstance(found, BaseExceptionGroup):
            waiting.extend(found.exceptions)
        waiting += [found.__cause__, found.__context__]


def _sentence(error: Exception, url: URL, timeout_seconds: float) -> str:
    """Return what went wrong, without anything that was sent."""
    place = f"{url.host}:{url.explicit_port}" if url.explicit_port else f"{url.host}"
    for cause in _causes(error):
        if isinstance(cause, aiohttp.ClientError):
            continue  # It calls itself an error of TLS or of the system, and says nothing of what it was.
        if isinstance(cause, ssl.SSLCertVerificationError):
            return f"the certificate of {place} is not accepted: {cause.verify_message}"
        if isinstance(cause, ssl.SSLError):
            return f"TLS with {place} failed: {(cause.reason or 'no reason given').lower().replace('_', ' ')}"
        if isinstance(cause, socket.gaierror):
            return f"the name {url.host} is not known"
        if isinstance(cause, ConnectionRefusedError):
            return f"nothing listens at {place}"
    if isinstance(error, TimeoutError):
        return f"no answer from {place} within {timeout_seconds:g} seconds (TimeoutError)"
    if url.scheme == "https" and isinstance(error, aiohttp.ServerDisconnectedError | aiohttp.ClientOSError):
        # With TLS 1.3 a server that misses our certificate says so after the handshake, and often just hangs up.
        told = f"{place} closed the connection without an answer ({type(error).__name__})"
        return f"{told}; it may need a client certificate"
    return f"no answer from {place}: {type(error).__name__}"
