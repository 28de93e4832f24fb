"""SMART Backend Services: an access token for a signed assertion, kept and renewed in time.

Source: SMART App Launch 2.2, backend-services and client-confidential-asymmetric. The address of the token
endpoint and the audience come from the settings alone: taken from a server's own discovery, a foreign server
could have an assertion made out to another one.
"""

from __future__ import annotations

import asyncio
import random
import re
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING
from urllib.parse import urlencode

from service.clock import Clock, MakeId
from service.delivery.authorise import NotAuthorisedError
from service.delivery.exchange import Answer, Http, Request, UnreachableError
from service.exact_json import BrokenJsonError, read_json

if TYPE_CHECKING:
    # What reads a key imports a library for it, which only those wait for who have one.
    from service.delivery.client_keys import ClientKey

_HEADERS = {
    "Content-Type": "application/x-www-form-urlencoded",
    "Accept": "application/json",
    "User-Agent": "resus-fhir",
}
ASSERTION_TYPE = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer"
_ASSERTION_SECONDS = 240
"""How long an assertion is valid: servers allow at most 300 s by their own clock, which may be behind ours."""
_UNSAID_LIFETIME_SECONDS = 60.0
"""How long a token is used whose lifetime the server does not say."""


@dataclass(frozen=True, slots=True)
class TokenRequest:
    """What the settings say of the token endpoint."""

    token_url: str
    audience: str
    client_id: str
    scopes: str


class BackendServices:
    """Holds one access token and fetches the next 30 to 60 seconds before it expires, one request at a time.

    The moment before the end is drawn for each token, so that several processes do not ask all at once. A token
    that lives two minutes or less is renewed after half of its life.
    """

    def __init__(
        self,
        asked: TokenRequest,
        key: ClientKey,
        http: Http,
        timeout_seconds: float,
        *,
        clock: Clock,
        make_id: MakeId,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self._asked = asked
        self._key = key
        self._http = http
        self._timeout_seconds = timeout_seconds
        self._clock = clock
        self._make_id = make_id
        self._monotonic = monotonic
        self._random = random.Random()  # noqa: S311 - spreads requests, no secret.
        self._one_at_a_time = asyncio.Lock()
        self._header: str | None = None
        self._renew_at = 0.0

    async def header(self) -> str | None:
        """Return the value with a token that is good for a while yet."""
        async with self._one_at_a_time:
            if self._header is None or self._monotonic() >= self._renew_at:
                await self._fetch()
            return self._header

    async def renew(self, refused: str | None) -> bool:
        """Fetch a token in place of the refused one, unless another caller has done so already."""
        async with self._one_at_a_time:
            if self._header == refused:
                self._header = None
                await self._fetch()
            return self._header != refused

    async def close(self) -> None:
        """Close the connection to the token endpoint."""
        await self._http.close()

    def _assertion(self) -> str:
        now = int(self._clock().timestamp())
        return self._key.sign(
            {
                "iss": self._asked.client_id,
                "sub": self._asked.client_id,
                "aud": self._asked.audience,
                "iat": now,
                "exp": now + _ASSERTION_SECONDS,
                "jti": self._make_id(),
            }
        )

    async def _fetch(self) -> None:
        form = {
            "grant_type": "client_credentials",
            "scope": self._asked.scopes,
            "client_assertion_type": ASSERTION_TYPE,
            "client_assertion": self._assertion(),
        }
        request = Request("POST", self._asked.token_url, _HEADERS, urlencode(form).encode())
        asked_at = self._monotonic()
        try:
            answer = await self._http.send(request, self._timeout_seconds)
        except UnreachableError as error:
            raise UnreachableError(f"the token endpoint does not answer: {error}") from None
        token, lifetime = _read_token(answer)
        early = min(30 + 30 * self._random.random(), lifetime / 2)
        self._header = f"Bearer {token}"
        self._renew_at = asked_at + lifetime - early


def _read_token(answer: Answer) -> tuple[str, float]:
    """Return token and lifetime in seconds; the errors repeat nothing of the body but its error code."""
    try:
        body = read_json(answer.body)
    except BrokenJsonError:
        body = None
    members = body if isinstance(body, dict) else {}
    if answer.status >= 500 or answer.status in (408, 429):
        raise UnreachableError(f"the token endpoint answered {answer.status}")
    if 300 <= answer.status < 400:
        raise NotAuthorisedError(f"the token endpoint answered {answer.status}: redirects are not followed")
    if answer.status != 200:
        code = members.get("error")
        told = f" ({code})" if isinstance(code, str) and re.fullmatch(r"[a-z_]{1,40}", code) else ""
        raise NotAuthorisedError(f"the token endpoint refused us: {answer.status}{told}")
    token = members.get("access_token")
    if not isinstance(token, str) or not re.fullmatch(r"[\x21-\x7e]+", token):
        raise NotAuthorisedError("the token endpoint answered without an access token")
    if str(members.get("token_type", "")).lower() != "bearer":
        raise NotAuthorisedError("the token endpoint gave a token of another type than bearer")
    lifetime = members.get("expires_in")
    if isinstance(lifetime, bool) or not isinstance(lifetime, int | float) or lifetime <= 0:
        lifetime = _UNSAID_LIFETIME_SECONDS
    return token, float(lifetime)
