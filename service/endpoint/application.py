"""The endpoint as an ASGI application: its routes, and what each interaction does with a request."""

from __future__ import annotations

import asyncio
import re
import sqlite3
import traceback
from collections.abc import Awaitable, Callable, Mapping
from datetime import UTC, datetime
from email.utils import format_datetime
from http import HTTPStatus
from pathlib import Path
from typing import Any

import structlog
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import Route

from service.clock import Clock, MakeId
from service.endpoint.answer_bundle import transaction_response
from service.endpoint.capability import capability_statement, front_page
from service.endpoint.outcomes import Issue, RefusalError, outcome_of, refuse
from service.endpoint.prepare_bundle import (
    Surroundings,
    conditional_update_step,
    create_step,
    prepare_transaction,
)
from service.endpoint.read_query import read_query
from service.endpoint.read_request import (
    FHIR_JSON,
    base_of,
    prefers_html,
    read_limited_body,
    refuse_unless_json_is_sent,
    refuse_unless_json_is_wanted,
)
from service.endpoint.read_resource import (
    Check,
    read_body,
    refuse_findings,
    refuse_unknown_type,
    refuse_wrong_id,
    refuse_wrong_type,
)
from service.endpoint.resource_store import ResourceStore
from service.endpoint.search import search
from service.endpoint.stored_versions import StoredVersion, find_version
from service.endpoint.write_steps import Done, Step, carry_out, delete
from service.exact_json import write_json
from service.problems import Unavailable

MAX_BODY_BYTES = 16 * 1024 * 1024
# A body below this is parsed and checked in well under a millisecond per kilobyte, less than a thread's hand-over
# would be worth.
_SMALL_BODY_BYTES = 16 * 1024
_VERSION_NUMBER = re.compile(r"[0-9]{1,9}", re.ASCII)

log = structlog.get_logger(__name__)
_Handler = Callable[[Request], Awaitable[Response]]


class Endpoint(Starlette):
    """The application and the store that it must close."""

    def __init__(self, store: ResourceStore, **options: Any) -> None:
        super().__init__(**options)
        self._store = store

    def close(self) -> None:
        """Finish what was begun and close the store; a second call does nothing."""
        self._store.close()


def create_endpoint(
    store_path: Path,
    *,
    check: Check,
    clock: Clock,
    make_id: MakeId,
    served: frozenset[str],
    max_body_bytes: int = MAX_BODY_BYTES,
) -> Endpoint:
    """Return the endpoint over the SQLite file at `store_path`; whoever makes it calls its `close`.

    `served` are the resource types that it offers: those that `check` can judge. A write that was answered is
    on the disk. Every refusal, and every failure, is an OperationOutcome.
    """
    store = ResourceStore(store_path)
    handlers = _Handlers(store, check, clock, make_id, served, max_body_bytes)
    routes = [
        _route("/", served, GET=handlers.front, POST=handlers.bundle),
        _route("/metadata", served, GET=handlers.metadata),
        _route("/{type}/{id}/_history/{version}", served, GET=handlers.read),
        _route("/{type}/{id}", served, GET=handlers.read, PUT=handlers.update, DELETE=handlers.delete),
        _route("/{type}", served, GET=handlers.search, POST=handlers.create, PUT=handlers.update_by_condition),
    ]
    return Endpoint(store, routes=routes, exception_handlers={HTTPException: _answer_http_exception})


class _Handlers:
    """One method for each interaction."""

    def __init__(
        self,
        store: ResourceStore,
        check: Check,
        clock: Clock,
        make_id: MakeId,
        served: frozenset[str],
        max_body_bytes: int,
    ) -> None:
        self._store = store
        self._check = check
        self._clock = clock
        self._make_id = make_id
        self._served = served
        self._max_body_bytes = max_body_bytes
        self._started_at = clock()

    async def front(self, request: Request) -> Response:
        """Show the page to a browser; a FHIR client is told where to ask."""
        base = base_of(request)
        if prefers_html(request):
            return HTMLResponse(await self._store.read(lambda connection: front_page(connection, base)))
        raise refuse(404, "not-supported", "Searches over all types are not supported; see metadata.")

    async def metadata(self, request: Request) -> Response:
        """Answer the CapabilityStatement."""
        refuse_unless_json_is_wanted(request)
        return _json_response(
            200, write_json(capability_statement(base_of(request), self._served, self._started_at))
        )

    async def read(self, request: Request) -> Response:
        """Answer a resource or one version of it: 404 where it never was, 410 where it was deleted."""
        refuse_unless_json_is_wanted(request)
        resource_type, resource_id = _address(request)
        version = request.path_params.get("version")
        if version is not None and not _VERSION_NUMBER.fullmatch(version):
            raise refuse(404, "not-found", "There is no such version.")
        found = await self._store.read(
            lambda connection: find_version(
                connection, resource_type, resource_id, None if version is None else int(version)
            )
        )
        if found is None:
            raise refuse(404, "not-found", "There is no such resource, or no such version of it.")
        if found.body is None:
            raise refuse(410, "deleted", "The resource was deleted.")
        return _json_response(200, found.body, _version_headers(found))

    async def search(self, request: Request) -> Response:
        """Answer the searchset of the query in the URL."""
        refuse_unless_json_is_wanted(request)
        base = base_of(request)
        query = read_query(request.path_params["type"], request.url.query, base)
        return _json_response(200, await self._store.read(lambda connection: search(connection, query, base)))

    async def create(self, request: Request) -> Response:
        """Store a new resource under a fresh id, or find the one that If-None-Exist describes."""
        resource = await self._resource_in(request)
        condition = request.headers.get("if-none-exist")
        return await self._write(request, create_step(resource, condition, base_of(request), self._make_id))

    async def update(self, request: Request) -> Response:
        """Store a resource under the id that the client chose, as a new version or as a new resource."""
        resource_type, resource_id = _address(request)
        resource = await self._resource_in(request, resource_id)
        return await self._write(request, Step("PUT", resource_type, resource_id, resource))

    async def update_by_condition(self, request: Request) -> Response:
        """Store a resource as the one that the query describes, or as a new one where there is none."""
        resource = await self._resource_in(request)
        step = conditional_update_step(resource, request.url.query, base_of(request), self._make_id)
        return await self._write(request, step)

    async def delete(self, request: Request) -> Response:
        """Mark a resource as deleted; its versions stay readable."""
        _refuse_preconditions(request)
        resource_type, resource_id = _address(request)
        done = await self._store.write(
            lambda connection: delete(connection, resource_type, resource_id, self._clock())
        )
        return Response(status_code=done.status, headers=_version_headers(done.version))

    async def bundle(self, request: Request) -> Response:
        """Carry out a transaction."""
        refuse_unless_json_is_wanted(request)
        base = base_of(request)
        bundle, _ = await self._read_json(request)
        surroundings = Surroundings(base, self._check, self._make_id, self._served)
        steps = await asyncio.to_thread(prepare_transaction, bundle, surroundings)
        done = await self._store.write(
            lambda connection: carry_out(connection, steps, now=self._clock(), base=base)
        )
        return _json_response(200, write_json(transaction_response(done)))

    async def _read_json(self, request: Request) -> tuple[dict[str, Any], bool]:
        """Return the JSON object in the body, and whether it is small enough to be worked on without a thread."""
        refuse_unless_json_is_sent(request)
        body = await read_limited_body(request, self._max_body_bytes)
        if len(body) <= _SMALL_BODY_BYTES:
            return read_body(body), True
        return await asyncio.to_thread(read_body, body), False

    async def _resource_in(self, request: Request, resource_id: str | None = None) -> dict[str, Any]:
        """Return the resource in the body, of the right type and id and without an error that the check finds."""
        refuse_unless_json_is_wanted(request)
        _refuse_preconditions(request)
        resource, is_small = await self._read_json(request)
        refuse_wrong_type(resource, request.path_params["type"])
        if resource_id is not None:
            refuse_wrong_id(resource, resource_id)
        if is_small:
            refuse_findings(resource, self._check)
        else:
            await asyncio.to_thread(refuse_findings, resource, self._check)
        return resource

    async def _write(self, request: Request, step: Step) -> Response:
        base = base_of(request)
        (done,) = await self._store.write(
            lambda connection: carry_out(connection, [step], now=self._clock(), base=base)
        )
        return _written_response(done, base)


def _route(path: str, served: frozenset[str], **handlers: _Handler) -> Route:
    async def answer(request: Request) -> Response:
        handler = handlers["GET" if request.method == "HEAD" else request.method]
        try:
            if "type" in request.path_params:
                refuse_unknown_type(request.path_params["type"], served)
            return await handler(request)
        except RefusalError as refusal:
            return _refused(refusal)
        except (sqlite3.OperationalError, Unavailable) as error:
            _log(request, error)
            return _refused(_unavailable())
        except RecursionError:
            return _refused(refuse(400, "too-costly", "The body is nested too deeply."))
        except Exception as error:
            _log(request, error)
            return _refused(refuse(500, "exception", "The endpoint failed; its log says where."))

    return Route(path, answer, methods=list(handlers))


def _log(request: Request, error: Exception) -> None:
    # Never the message of an exception: it may repeat what a client sent, and that may be about a patient.
    place = traceback.extract_tb(error.__traceback__)[-1]
    log.error(
        "endpoint_fault",
        error=type(error).__name__,
        file=place.filename,
        line=place.lineno,
        method=request.method,
        resource_type=request.path_params.get("type"),
    )


def _unavailable() -> RefusalError:
    issue = Issue("transient", "The store cannot be written or read at present; try again.")
    return RefusalError(503, [issue], headers={"Retry-After": "1"})


async def _answer_http_exception(_request: Request, error: Exception) -> Response:
    status = error.status_code if isinstance(error, HTTPException) else 500
    headers = dict(error.headers or {}) if isinstance(error, HTTPException) else {}
    issue = Issue("not-supported", f"{HTTPStatus(status).phrase}: see metadata for what is supported.")
    return _refused(RefusalError(status, [issue], headers=headers))


def _refused(refusal: RefusalError) -> Response:
    return _json_response(refusal.status, write_json(outcome_of(refusal.issues)), refusal.headers)


def _written_response(done: Done, base: str) -> Response:
    if done.version is None or done.version.body is None:
        raise RuntimeError("what was written is not there")
    headers = {**_version_headers(done.version), "Location": f"{base}/{done.version.location}"}
    return _json_response(done.status, done.version.body, headers)


def _refuse_preconditions(request: Request) -> None:
    """Raise RefusalError (400) where a write names versions, which nothing here would look at."""
    for name in ("If-Match", "If-None-Match"):
        if name in request.headers:
            raise refuse(400, "not-supported", f"{name} is not supported for writes.")


def _version_headers(version: StoredVersion | None) -> dict[str, str]:
    if version is None:
        return {}
    updated_at = datetime.fromisoformat(version.updated_at).astimezone(UTC)
    return {"ETag": version.etag, "Last-Modified": format_datetime(updated_at, usegmt=True)}


def _json_response(status: int, body: bytes, headers: Mapping[str, str] | None = None) -> Response:
    return Response(body, status_code=status, headers=dict(headers or {}), media_type=FHIR_JSON)


def _address(request: Request) -> tuple[str, str]:
    return request.path_params["type"], request.path_params["id"]
