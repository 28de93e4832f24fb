"""One exchange over HTTP with a bound on its whole length; why no answer came is said here, once, in a sentence."""

from __future__ import annotations

import asyncio
import socket
import ssl
from collections.abc import Iterator

import httpx

from service.delivery.judge_answer import Answer

_MOST_ANSWER_BYTES = 32 * 1024 * 1024


class UnreachableError(Exception):
    """No answer came; whether the request was acted on is not known."""


def make_http_client(*, connections: int, tls: ssl.SSLContext | bool = True) -> httpx.AsyncHTTPTransport:
    """Return httpx's own pool of connections, without the client around it.

    So no redirect is followed, no proxy of the environment asked and no cookie kept: neither patient data nor a
    token reaches another host than the one that was named. The client would take a third of an exchange's time.
    """
    return httpx.AsyncHTTPTransport(
        limits=httpx.Limits(max_connections=connections, max_keepalive_connections=connections),
        verify=tls,
        trust_env=False,
    )


async def exchange(http: httpx.AsyncBaseTransport, request: httpx.Request, timeout_seconds: float) -> Answer:
    """Send a request and return its answer; UnreachableError, which says why, where none comes in time."""
    request.extensions = {"timeout": httpx.Timeout(timeout_seconds, pool=None).as_dict()}
    try:
        # The bound is on the whole exchange: httpx's own lets a server drip bytes for ever.
        async with asyncio.timeout(timeout_seconds):
            response = await http.handle_async_request(request)
            response.request = request
            try:
                return await _read(response)
            finally:
                await response.aclose()
    except (httpx.TransportError, httpx.DecodingError, TimeoutError) as error:
        raise UnreachableError(_sentence(error, request.url, timeout_seconds)) from error


async def _read(response: httpx.Response) -> Answer:
    body = bytearray()
    async for chunk in response.aiter_bytes():
        body += chunk
        if len(body) > _MOST_ANSWER_BYTES:
            raise UnreachableError("the answer is larger than any answer should be")
    return Answer(
        response.status_code, {name.lower(): value for name, value in response.headers.items()}, bytes(body)
    )


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


def _sentence(error: Exception, url: httpx.URL, timeout_seconds: float) -> str:
    """Return what went wrong, without anything that was sent."""
    place = f"{url.host}:{url.port}" if url.port else url.host
    for cause in _causes(error):
        if isinstance(cause, ssl.SSLCertVerificationError):
            return f"the certificate of {place} is not accepted: {cause.verify_message}"
        if isinstance(cause, ssl.SSLError):
            return f"TLS with {place} failed: {(cause.reason or 'no reason given').lower().replace('_', ' ')}"
        if isinstance(cause, socket.gaierror):
            return f"the name {url.host} is not known"
        if isinstance(cause, ConnectionRefusedError):
            return f"nothing listens at {place}"
    if isinstance(error, TimeoutError | httpx.TimeoutException):
        return f"no answer from {place} within {timeout_seconds:g} seconds (TimeoutError)"
    if url.scheme == "https" and isinstance(error, httpx.RemoteProtocolError | httpx.ReadError):
        # With TLS 1.3 a server that misses our certificate says so after the handshake, and often just hangs up.
        return f"{place} hung up without an answer ({type(error).__name__}); it may want a client certificate"
    return f"no answer from {place}: {type(error).__name__}"
