"""Reads what a request carries: its body within the limit, as JSON; its caller; the parts of the application."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any

from fastapi import Header, Path, Query, Request, Security
from fastapi.security import HTTPAuthorizationCredentials, HTTPBearer, SecurityScopes
from pydantic import AfterValidator, BeforeValidator, WithJsonSchema
from pydantic_core import PydanticCustomError
from starlette.requests import HTTPConnection

from service.clock import Clock
from service.delivery.destination_state import DestinationState
from service.exact_json import BrokenJsonError, read_json
from service.making.stages import Stages
from service.problems import Code, Problem, ServiceProblem
from service.records.receipts import Receipt
from service.records.record_keys import UNKNOWN_ID, case_key, check_key, delivery_key, device_key, event_key
from service.settings import Settings
from service.storage.statements import Transaction
from service.storage.store import Store
from service.taking.submissions import Outcome, Submission, keep_refusal
from service.taking.take_events import SentEvent
from service.web.authenticate import Authenticator, Caller, Scope, permit


@dataclass(frozen=True, slots=True)
class Parts:
    """What the routes work with, made once at the start and handed in.

    `take_posted` takes single events, with their cases, that wait for the same commit.
    """

    stages: Stages
    store: Store
    settings: Settings
    clock: Clock
    authenticator: Authenticator
    destination: DestinationState | None
    public_keys: Mapping[str, Any]
    take_posted: Callable[[Transaction, Sequence[tuple[str, SentEvent]]], list[Outcome]]


def parts_of(request: Request) -> Parts:
    """Return the parts of the application that a request reached."""
    parts: Parts = request.app.state.parts
    return parts


_ETAG = r'^(W/)?"([1-9][0-9]{0,8})"$|^\*$'


def _version_in(text: str) -> int | None:
    found = re.search(_ETAG, text)
    if found is None:
        raise PydanticCustomError("version", 'one ETag as an answer gave it, such as "3"')
    return int(found[2]) if found[2] else None


ExpectedVersion = Annotated[
    int | None,
    Header(alias="If-Match", description="The version that you have read; 412 if another one is newer."),
    BeforeValidator(_version_in),
    WithJsonSchema({"type": "string", "pattern": _ETAG, "examples": ['"3"']}),
]
"""The version that the client has read, from the header If-Match (RFC 9110); None without the header."""


class RefusedBodyError(Exception):
    """A body that could not be taken: the problems, and as much of the body as was read.

    It is logged and answered in one place, the application's handler.
    """

    def __init__(self, problems: Sequence[Problem], body: bytes) -> None:
        super().__init__(problems[0].code.facts.code)
        self.problems = problems
        self.body = body


async def read_body(request: Request) -> bytes:
    """Return the body; RefusedBodyError where it is over the limit or of another content type than JSON."""
    limit = parts_of(request).settings.body_max_bytes
    body = bytearray()
    async for chunk in request.stream():
        body += chunk
        if len(body) > limit:
            problem = Problem(Code.BODY_TOO_LARGE, "", "the body is over the limit", f"at most {limit} bytes")
            raise RefusedBodyError([problem], bytes(body[:limit]))
    content_type = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if content_type != "application/json" and not content_type.endswith("+json"):
        problem = Problem(Code.WRONG_CONTENT_TYPE, "", "the Content-Type is not JSON", "application/json")
        raise RefusedBodyError([problem], bytes(body))
    return bytes(body)


async def read_json_body(request: Request) -> tuple[bytes, Any]:
    """Return the body and the JSON value that it spells; RefusedBodyError where it spells none."""
    body = await read_body(request)
    try:
        return body, read_json(body)
    except BrokenJsonError as error:
        problem = Problem(Code.BROKEN_JSON, "", f"the body is not JSON: {error}", "one JSON value in UTF-8")
        raise RefusedBodyError([problem], body) from error


_token = HTTPBearer(
    auto_error=False,
    scheme_name="token",
    description="A token of this service (RFC 6750). The scopes are alternatives: one of them is enough."
    " Without RESUS_AUTH=tokens the service accepts calls from this machine only, and needs none.",
)


def subject_of(request: HTTPConnection) -> str:
    """Return how the log names what a request concerns: the key of a record, else the address without /v1."""
    asked, path = request.path_params, request.scope["path"]
    if "event_id" in asked:
        return event_key(asked["case_id"], asked["event_id"])
    if "case_id" in asked:
        return event_key(asked["case_id"], UNKNOWN_ID) if path.endswith("/events") else case_key(asked["case_id"])
    if "device_id" in asked:
        return (
            check_key(asked["device_id"], UNKNOWN_ID)
            if path.endswith("/checks")
            else device_key(asked["device_id"])
        )
    if "delivery_id" in asked:
        return delivery_key(asked["delivery_id"])
    return str(path).strip("/").removeprefix("v1/")


async def identify(
    request: Request,
    wanted: SecurityScopes,
    _: Annotated[HTTPAuthorizationCredentials | None, Security(_token)] = None,
) -> Receipt:
    """Return who calls and when; a caller who has none of the scopes is refused, and that is logged.

    It runs before anything else of a request is read.
    """
    parts = parts_of(request)
    now = parts.clock()
    caller = Caller("unknown", frozenset())
    try:
        caller = parts.authenticator.identify(request)
        permit(caller, *(Scope(name) for name in wanted.scopes))
    except ServiceProblem as problem:
        refused = problem
        submission = Submission(Receipt(caller.name, now), subject_of(request))
        await parts.store.write(lambda tx: keep_refusal(tx, submission, refused))
        raise
    request.state.receipt = Receipt(caller.name, now)
    return Receipt(caller.name, now)


Recorder = Annotated[Receipt, Security(identify, scopes=[Scope.RECORD])]
Integrator = Annotated[Receipt, Security(identify, scopes=[Scope.INTEGRATE])]
Auditor = Annotated[Receipt, Security(identify, scopes=[Scope.AUDIT])]
RecorderOrIntegrator = Annotated[Receipt, Security(identify, scopes=[Scope.RECORD, Scope.INTEGRATE])]
IntegratorOrAuditor = Annotated[Receipt, Security(identify, scopes=[Scope.INTEGRATE, Scope.AUDIT])]
Anyone = Annotated[Receipt, Security(identify, scopes=list(Scope))]
"""Who may make a call; the route gets who called and when."""

Reason = Annotated[
    str, Query(min_length=1, max_length=500, description="The reason; it is written to the audit log.")
]


def _check_id(value: str) -> str:
    if not 1 <= len(value) <= 64 or not value.isprintable() or value != value.strip() or "/" in value:
        expected = "1 to 64 printable characters without a slash, no space at either end"
        raise PydanticCustomError("record_id", expected)
    return value


RecordId = Annotated[str, Path(description="The client's own id."), AfterValidator(_check_id)]
"""The id of a case, an event or a device in an address."""

MOST_NUMBER = 2**63 - 1
"""The largest whole number that a database compares with."""
