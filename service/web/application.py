"""Makes the FastAPI application: routes, problem details for everything that goes wrong, the API description."""

from __future__ import annotations

import asyncio
import traceback
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from functools import cache
from typing import Any

import structlog
from fastapi import APIRouter, FastAPI, Request
from fastapi.exceptions import RequestValidationError
from prometheus_client import CONTENT_TYPE_LATEST, generate_latest
from starlette.exceptions import HTTPException
from starlette.responses import Response
from starlette.routing import BaseRoute
from starlette.types import ASGIApp, Message, Receive, Send
from starlette.types import Scope as AsgiScope

from service import __version__, metrics
from service.intake.read_problems import json_pointer
from service.problems import Code, Problem, ServiceProblem, Unavailable, refusal
from service.records.instants import parse_instant
from service.storage.audit_entries import newest_number_and_hash
from service.storage.deliveries import count_by_state, oldest_waiting_since
from service.taking.submissions import Submission
from service.web import audit, cases, devices, events, integration
from service.web.answers import json_answer, problem_answer
from service.web.describe_api import describe_api
from service.web.requests import Parts, RefusedBodyError, parts_of, read_body, subject_of
from service.web.take_requests import log_and_answer

CAUTION = (
    "The service documents. It gives no alarm, no advice and no real-time guidance, is no medical device, and must"
    " not be used to decide treatment. Figures are aids for review by licensed clinicians; local protocols, the"
    " equipment's own instructions and local law come first."
)

log = structlog.get_logger(__name__)

Lifespan = Callable[[], AbstractAsyncContextManager[None]]


class CatchFaults:
    """Answers 500 for a mistake of ours, without its text, which may hold what a client sent; logs where it was."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: AsgiScope, receive: Receive, send: Send) -> None:
        """Pass the request on."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        started = False

        async def watch(message: Message) -> None:
            nonlocal started
            started = started or message["type"] == "http.response.start"
            await send(message)

        try:
            await self._app(scope, receive, watch)
        except Exception as error:
            place = traceback.extract_tb(error.__traceback__)[-1]
            log.error("fault", error=type(error).__name__, file=place.filename, line=place.lineno)  # noqa: TRY400
            if started:
                raise
            problem = Problem(
                Code.INTERNAL_FAULT,
                "",
                "the service made a mistake; it was logged",
                "nothing to change in the request; report it with the time",
            )
            await problem_answer([problem])(scope, receive, send)


async def _refused(_request: Request, error: Exception) -> Response:
    if not isinstance(error, ServiceProblem):
        raise error
    headers = {"WWW-Authenticate": "Bearer"} if error.status == 401 else None
    if isinstance(error, Unavailable):
        headers = {"Retry-After": "1"}
    return problem_answer(error.problems, headers)


async def _refused_body(request: Request, error: Exception) -> Response:
    """Keep a body that could not be taken, and answer why."""
    if not isinstance(error, RefusedBodyError):
        raise error
    submission = Submission(
        request.state.receipt, subject_of(request), error.body, request.path_params.get("case_id")
    )
    return await log_and_answer(parts_of(request), submission, refusal(error.problems))


async def _wrong_parameters(request: Request, error: Exception) -> Response:
    """Answer an address or a query that cannot be read; a body that came with it is kept like any refused one."""
    if not isinstance(error, RequestValidationError):
        raise error
    problems = [
        Problem(Code.WRONG_PARAMETER, json_pointer(item["loc"]), "the parameter cannot be read", item["msg"])
        for item in error.errors()
    ]
    if request.method == "GET":
        return problem_answer(problems)
    try:
        body = await read_body(request)
    except RefusedBodyError as refused:
        body = refused.body
    submission = Submission(request.state.receipt, f"{request.method} {request.url.path}", body)
    return await log_and_answer(parts_of(request), submission, refusal(problems))


async def _no_route(_request: Request, error: Exception) -> Response:
    if not isinstance(error, HTTPException):
        raise error
    if error.status_code == 405:
        problem = Problem(
            Code.METHOD_NOT_ALLOWED, "", "this address does not take this method", "see /openapi.json"
        )
    else:
        problem = Problem(Code.NOT_FOUND, "", "there is nothing at this address", "see /openapi.json")
    return problem_answer([problem], dict(error.headers) if error.headers else None)


operations = APIRouter(tags=["operation"])


@operations.get("/health/live", summary="Ask whether the process is alive")
async def get_live() -> Response:
    """Return 200 while the process answers."""
    return json_answer({"status": "live"})


@operations.get("/health/ready", summary="Ask whether requests can be taken")
async def get_ready(request: Request) -> Response:
    """Return 200 if the store answers, 503 if not; the destination is shown and does not change the status."""
    parts = parts_of(request)
    await parts.store.write(newest_number_and_hash)
    state = parts.destination
    return json_answer(
        {"status": "ready", "store": "ready", "destination": state.problem or "ready" if state else None}
    )


public = APIRouter(tags=["operation"])


@public.get("/.well-known/jwks.json", summary="Read our public keys")
async def get_public_keys(request: Request) -> Response:
    """Return the public keys that prove our assertions to an authorisation server; during a rotation both."""
    return json_answer(parts_of(request).public_keys, headers={"Cache-Control": "public, max-age=300"})


@operations.get("/metrics", summary="Read counts for operators")
async def get_metrics(request: Request) -> Response:
    """Return the metrics in the text format of Prometheus."""
    parts = parts_of(request)
    counts, since = await parts.store.read(lambda tx: (count_by_state(tx), oldest_waiting_since(tx)))
    for state, count in counts.items():
        metrics.deliveries.labels(state).set(count)
    waited = (parts.clock() - parse_instant(since)).total_seconds() if since is not None else 0.0
    metrics.oldest_waiting.set(max(0.0, waited))
    return Response(generate_latest(metrics.registry), media_type=CONTENT_TYPE_LATEST)


def create_application(parts: Parts, lifespan: Lifespan, extra_routes: Sequence[BaseRoute] = ()) -> FastAPI:
    """Return the application; `lifespan` is entered before the first request and left after the last."""

    @asynccontextmanager
    async def live(_app: FastAPI) -> AsyncIterator[None]:
        async with lifespan():
            yield

    app = FastAPI(
        title="resus-fhir",
        version=__version__,
        summary="Resuscitation events and device checks to FHIR R4, delivered exactly once and audited.",
        description=CAUTION,
        lifespan=live,
        docs_url=None,
        redoc_url=None,
        openapi_url=None,
        redirect_slashes=False,
    )
    app.state.parts = parts
    app.add_exception_handler(ServiceProblem, _refused)
    app.add_exception_handler(RefusedBodyError, _refused_body)
    app.add_exception_handler(RequestValidationError, _wrong_parameters)
    app.add_exception_handler(HTTPException, _no_route)
    for router in (cases.router, events.router, devices.router, integration.router, audit.router):
        app.include_router(router, prefix="/v1")
    app.include_router(public)
    app.include_router(operations)
    app.include_router(operations, prefix="/v1", include_in_schema=False)

    @cache
    def description() -> dict[str, Any]:
        return describe_api(app, parts.stages.vocabulary)

    async def get_description() -> Response:
        # Few ask for it, so it is written for the first of them and not at every start; a thread keeps that from
        # all others. Two first ones at once write it twice, and the same.
        return json_answer(await asyncio.to_thread(description))

    app.add_api_route("/openapi.json", get_description, include_in_schema=False)
    app.add_api_route("/v1/openapi.json", get_description, include_in_schema=False)
    app.router.routes.extend(extra_routes)
    app.add_middleware(CatchFaults)
    return app
