"""An authorisation server's token endpoint that proves every assertion, and a FHIR server that wants its tokens."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from typing import Any
from urllib.parse import parse_qs

from joserfc import jwt
from joserfc.errors import JoseError
from joserfc.jwk import KeySet
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.types import ASGIApp, Receive, Scope, Send

from service.delivery.backend_services import ASSERTION_TYPE

ALGORITHMS = ["RS384", "ES384"]


class TokenEndpoint:
    """Gives a token for an assertion that is right in every point, each only once.

    `keys` gives the client's JWKS. `refusals` says, for the test, what was wrong; `scopes` what was asked for.
    """

    def __init__(
        self, audience: str, client_id: str, keys: Callable[[], Mapping[str, Any]], lifetime: float | None = 300
    ) -> None:
        self._audience = audience
        self._client_id = client_id
        self._keys = keys
        self.lifetime = lifetime
        self.issued: list[str] = []
        self.valid: set[str] = set()
        self.used: set[str] = set()
        self.refusals: list[str] = []
        self.scopes: list[str] = []
        self.kids: list[str] = []

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request for a token."""
        request = Request(scope, receive)
        form = parse_qs((await request.body()).decode(), strict_parsing=True)
        await self._answer(request, {name: values[0] for name, values in form.items()})(scope, receive, send)

    def _answer(self, request: Request, form: Mapping[str, str]) -> Response:
        wrong = self._what_is_wrong(request, form)
        if wrong is not None:
            self.refusals.append(wrong)
            return JSONResponse({"error": "invalid_client", "error_description": wrong}, status_code=400)
        token = f"token-{len(self.issued)}-of-{self._client_id}"
        self.issued.append(token)
        self.valid.add(token)
        self.scopes.append(form["scope"])
        body: dict[str, Any] = {"access_token": token, "token_type": "Bearer", "scope": form["scope"]}
        if self.lifetime is not None:
            body["expires_in"] = self.lifetime
        return JSONResponse(body, headers={"Cache-Control": "no-store"})

    def _what_is_wrong(self, request: Request, form: Mapping[str, str]) -> str | None:
        if request.method != "POST" or request.headers["content-type"] != "application/x-www-form-urlencoded":
            return "not a form"
        if (form.get("grant_type"), form.get("client_assertion_type")) != ("client_credentials", ASSERTION_TYPE):
            return "another grant"
        if "authorization" in request.headers or "client_secret" in form:
            return "two ways of authentication"
        try:
            keys = KeySet.import_key_set(self._keys())  # type: ignore[arg-type]  # A key set as JSON holds it.
            token = jwt.decode(form["client_assertion"], keys, algorithms=ALGORITHMS)
        except (JoseError, ValueError) as error:
            return f"signature: {type(error).__name__}"
        claims, now = token.claims, time.time()
        self.kids.append(token.header["kid"])
        if token.header.get("typ") != "JWT":
            return "typ"
        if claims.get("iss") != self._client_id or claims.get("sub") != self._client_id:
            return "iss, sub"
        if claims.get("aud") != self._audience:
            return "aud"
        if not now < claims["exp"] <= now + 300:
            return "exp"
        if claims["jti"] in self.used:
            return "jti was used"
        self.used.add(claims["jti"])
        return None


class WantsAuthorisation:
    """Lets requests through to a server where `accepts` says so of their header; answers 401 otherwise."""

    def __init__(self, app: ASGIApp, accepts: Callable[[str | None], bool]) -> None:
        self._app = app
        self._accepts = accepts
        self.seen: list[str | None] = []
        self.refused = 0

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Take one request."""
        value = Request(scope).headers.get("authorization")
        self.seen.append(value)
        if self._accepts(value):
            await self._app(scope, receive, send)
            return
        self.refused += 1
        answer = Response("who are you", status_code=401, headers={"WWW-Authenticate": "Bearer"})
        await answer(scope, receive, send)
