"""Talks to the FHIR server over HTTP; foreign errors are translated here, once."""

from __future__ import annotations

import asyncio
from types import TracebackType
from typing import Self

import httpx

from service.delivery.judge_answer import Answer
from service.delivery.read_capabilities import Capabilities, NotAFhirServerError, read_capabilities
from service.exact_json import BrokenJsonError, read_json

FHIR_JSON = "application/fhir+json"
_MOST_ANSWER_BYTES = 32 * 1024 * 1024


class UnreachableError(Exception):
    """No answer came; whether the request was acted on is not known."""


class FhirClient:
    """One destination, with a pool of at most `connections` connections.

    Redirects are not followed, so that neither patient data nor a token reaches another host, and proxies of
    the environment are not used.
    """

    def __init__(
        self, base: str, *, connections: int, timeout_seconds: float, headers: dict[str, str] | None = None
    ) -> None:
        self.base = base.rstrip("/")
        self._timeout_seconds = timeout_seconds
        self._http = httpx.AsyncClient(
            headers={"Accept": FHIR_JSON, **(headers or {})},
            limits=httpx.Limits(max_connections=connections, max_keepalive_connections=connections),
            timeout=httpx.Timeout(timeout_seconds, pool=None),
            follow_redirects=False,
            trust_env=False,
        )

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self._http.aclose()

    async def capabilities(self) -> Capabilities:
        """Return what the server says it can do.

        Raises UnreachableError where no answer comes, NotAFhirServerError where the answer is no R4 server's.
        """
        answer = await self._send(self._http.build_request("GET", f"{self.base}/metadata"))
        if answer.status >= 500 or answer.status == 429:
            raise UnreachableError(f"the server answered {answer.status}")
        if answer.status != 200:
            raise NotAFhirServerError(f"its /metadata answered {answer.status}")
        try:
            return read_capabilities(read_json(answer.body))
        except BrokenJsonError as error:
            raise NotAFhirServerError("its /metadata is not JSON") from error

    async def post_bundle(self, body: bytes) -> Answer:
        """Post a Bundle and return the answer; UnreachableError where none comes."""
        request = self._http.build_request(
            "POST", self.base, content=body, headers={"Content-Type": FHIR_JSON, "Prefer": "return=minimal"}
        )
        return await self._send(request)

    async def _send(self, request: httpx.Request) -> Answer:
        try:
            # The bound is on the whole exchange: httpx's own lets a server drip bytes for ever.
            async with asyncio.timeout(self._timeout_seconds):
                response = await self._http.send(request, stream=True)
                try:
                    return await _read(response)
                finally:
                    await response.aclose()
        except (httpx.TransportError, httpx.DecodingError, TimeoutError) as error:
            raise UnreachableError(f"no answer: {type(error).__name__}") from error


async def _read(response: httpx.Response) -> Answer:
    body = bytearray()
    async for chunk in response.aiter_bytes():
        body += chunk
        if len(body) > _MOST_ANSWER_BYTES:
            raise UnreachableError("the answer is larger than any answer should be")
    return Answer(
        response.status_code, {name.lower(): value for name, value in response.headers.items()}, bytes(body)
    )
