"""Talks to the FHIR server over HTTP; foreign errors are translated here, once."""

from __future__ import annotations

import ssl
from collections.abc import Mapping
from types import TracebackType
from typing import Self

from yarl import URL

from service.delivery.authorise import Authorisation, NoAuthorisation
from service.delivery.exchange import Answer, HttpPool, Request, UnreachableError
from service.delivery.read_capabilities import Capabilities, NotAFhirServerError, read_capabilities
from service.exact_json import BrokenJsonError, read_json

FHIR_JSON = "application/fhir+json"

_HEADERS = {"Accept": FHIR_JSON, "Accept-Encoding": "gzip, deflate", "User-Agent": "resus-fhir"}


class FhirClient:
    """One destination, with a pool of at most `connections` connections.

    Every address is below `base` and redirects are not followed, so that neither patient data nor a token
    reaches another host, and proxies of the environment are not used.
    """

    def __init__(
        self,
        base: str,
        *,
        connections: int,
        timeout_seconds: float,
        tls: ssl.SSLContext | bool = True,
        authorisation: Authorisation | None = None,
    ) -> None:
        self.base = base.rstrip("/")
        self._address = str(URL(self.base))
        self.connections = connections
        self._timeout_seconds = timeout_seconds
        self._authorisation: Authorisation = authorisation or NoAuthorisation()
        self._http = HttpPool(connections=connections, tls=tls)

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self._http.close()
        await self._authorisation.close()

    async def capabilities(self) -> Capabilities:
        """Return what the server says it can do.

        Raises UnreachableError where no answer comes, NotAuthorisedError where we cannot say who we are,
        NotAFhirServerError where the answer is no R4 server's; each says what is wrong in a sentence.
        """
        answer = await self.call("GET", "metadata")
        if answer.status >= 500 or answer.status == 429:
            raise UnreachableError(f"the server answered {answer.status}")
        if answer.status != 200:
            raise NotAFhirServerError(_why_no_metadata(answer))
        try:
            return read_capabilities(read_json(answer.body))
        except BrokenJsonError as error:
            raise NotAFhirServerError(
                "its /metadata is not JSON, so this is not the base URL of a FHIR server"
            ) from error

    async def post_bundle(self, body: bytes) -> Answer:
        """Post a Bundle and return the answer; UnreachableError where none comes, NotAuthorisedError as above."""
        return await self.call("POST", "", body, {"Content-Type": FHIR_JSON, "Prefer": "return=minimal"})

    async def read(self, resource_type: str, resource_id: str) -> Answer:
        """Read one resource as it is now, past every cache."""
        return await self.call("GET", f"{resource_type}/{resource_id}", headers={"Cache-Control": "no-cache"})

    async def call(
        self, method: str, path: str, body: bytes | None = None, headers: Mapping[str, str] | None = None
    ) -> Answer:
        """Make one call below the base and return the answer; after 401 once more where there is other proof."""
        value = await self._authorisation.header()
        answer = await self._send(method, path, body, headers or {}, value)
        if answer.status == 401 and await self._authorisation.renew(value):
            answer = await self._send(method, path, body, headers or {}, await self._authorisation.header())
        return answer

    async def _send(
        self, method: str, path: str, body: bytes | None, headers: Mapping[str, str], authorisation: str | None
    ) -> Answer:
        more = {"Authorization": authorisation} if authorisation is not None else {}
        address = f"{self._address}/{path}" if path else self._address
        request = Request(method, address, {**_HEADERS, **headers, **more}, body)
        return await self._http.send(request, self._timeout_seconds)


def _why_no_metadata(answer: Answer) -> str:
    """Return what an answer to /metadata that is no success says about the address or the credentials."""
    status = answer.status
    if status in (401, 403):
        return f"its /metadata answered {status}: the credentials are wrong or do not allow this"
    if 300 <= status < 400:
        place = answer.headers.get("location", "")
        host = place.split("/")[2] if place.startswith(("http://", "https://")) and place.count("/") >= 2 else ""
        where = f" to {host:.100}" if host.isprintable() and host else ""
        return f"its /metadata answered {status}, a redirect{where}, which is not followed: set the address itself"
    if status == 404:
        return "its /metadata answered 404: there is no FHIR server at this address"
    return f"its /metadata answered {status}"
