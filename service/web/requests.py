"""Reads what a request carries: its body within the limit, as JSON; its caller; the parts of the application."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any

from fastapi import Header, Path, Request
from pydantic import AfterValidator, BeforeValidator, WithJsonSchema
from pydantic_core import PydanticCustomError

from service.clock import Clock
from service.delivery.destination_state import DestinationState
from service.exact_json import BrokenJsonError, read_json
from service.pipeline.log_refusal import log_refusal
from service.pipeline.stages import Stages
from service.problems import Code, Problem, ServiceProblem
from service.records.receipts import Receipt
from service.settings import Settings
from service.storage.store import Store
from service.web.authenticate import Authenticator, Caller, Scope, permit


@dataclass(frozen=True, slots=True)
class Parts:
    """What the routes work with, made once at the start and handed in."""

    stages: Stages
    store: Store
    settings: Settings
    clock: Clock
    authenticator: Authenticator
    destination: DestinationState | None
    public_keys: Mapping[str, Any]


def parts_of(request: Request) -> Parts:
    """Return the parts of the application that a request reached."""
    parts: Parts = request.app.state.parts
    return parts


_ETAG = r'^(W/)?"([1-9][0-9]{0,8})"$|^\*$'


def _version_in(text: str) -> int | None:
    found = re.search(_ETAG, text)
    if found is None:
        raise PydanticCustomError("version", 'one ETag as it was given, such as "3"')
    return int(found[2]) if found[2] else None


ExpectedVersion = Annotated[
    int | None,
    Header(alias="If-Match", description="The version that was changed; 412 if it is not the newest."),
    BeforeValidator(_version_in),
    WithJsonSchema({"type": "string", "pattern": _ETAG, "examples": ['"3"']}),
]
"""The version that a client says it has changed, from the header If-Match (RFC 9110); None where it says none."""


class RefusedBodyError(Exception):
    """A body that could not be taken: the problem, and as much of the body as was read."""

    def __init__(self, problem: Problem, body: bytes) -> None:
        super().__init__(problem.code.facts.code)
        self.problem = problem
        self.body = body


async def read_body(request: Request) -> bytes:
    """Return the body; RefusedBodyError where it is over the limit or of another content type than JSON."""
    limit = parts_of(request).settings.body_max_bytes
    body = bytearray()
    async for chunk in request.stream():
        body += chunk
        if len(body) > limit:
            problem = Problem(Code.BODY_TOO_LARGE, "", "the body is over the limit", f"at most {limit} bytes")
            raise RefusedBodyError(problem, bytes(body[:limit]))
    content_type = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if content_type != "application/json" and not content_type.endswith("+json"):
        problem = Problem(Code.WRONG_CONTENT_TYPE, "", "the body is not said to be JSON", "application/json")
        raise RefusedBodyError(problem, bytes(body))
    return bytes(body)


async def read_json_body(request: Request) -> tuple[bytes, Any]:
    """Return the body and the JSON value that it spells; RefusedBodyError where it spells none."""
    body = await read_body(request)
    try:
        return body, read_json(body)
    except BrokenJsonError as error:
        problem = Problem(Code.BROKEN_JSON, "", f"the body is not JSON: {error}", "one JSON value in UTF-8")
        raise RefusedBodyError(problem, body) from error


async def identify(request: Request, subject: str, *scopes: Scope) -> Receipt:
    """Return who calls and when; a caller who may not is refused, and that is logged."""
    parts = parts_of(request)
    now = parts.clock()
    caller = Caller("unknown", frozenset())
    try:
        caller = parts.authenticator.identify(request)
        permit(caller, *scopes)
    except ServiceProblem as refused:
        receipt, problems = Receipt(caller.name, now), refused.problems
        await parts.store.write(lambda tx: log_refusal(tx, receipt, subject, problems, b""))
        raise
    return Receipt(caller.name, now)


def _check_id(value: str) -> str:
    if not 1 <= len(value) <= 64 or not value.isprintable() or value != value.strip() or "/" in value:
        expected = "1 to 64 printable characters without a slash, no space at either end"
        raise PydanticCustomError("record_id", expected)
    return value


RecordId = Annotated[str, Path(description="The client's own id."), AfterValidator(_check_id)]
"""The id of a case, an event or a device in an address."""

MOST_NUMBER = 2**63 - 1
"""The largest whole number that a database compares with."""
