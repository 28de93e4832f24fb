"""The endpoint as an ASGI application: its routes, and what each interaction does with a request."""

from __future__ import annotations

import asyncio
import logging
import sqlite3
import traceback
from collections.abc import Awaitable, Callable, Mapping
from datetime import UTC, datetime
from email.utils import format_datetime
from http import HTTPStatus
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import Route

from service.clock import Clock, MakeId
from service.endpoint.answer_bundle import SUCCESS, answer_batch, answer_transaction
from service.endpoint.capability import capability_statement, front_page
from service.endpoint.outcomes import Issue, RefusalError, issues_of, outcome_of, refuse
from service.endpoint.preconditions import read_preconditions, read_preference
from service.endpoint.prepare_bundle import (
    Entry,
    Surroundings,
    own_or_fresh_id,
    prepare_batch_entry,
    prepare_entries,
    refuse_broken_bundle,
)
from service.endpoint.read_interactions import Found, history, read, search_type
from service.endpoint.read_query import read_condition, split_query
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
from service.endpoint.resource_types import RESOURCE_TYPES
from service.endpoint.stored_versions import StoredVersion
from service.endpoint.write_steps import Done, Step, carry_out
from service.exact_json import write_json

MAX_BODY_BYTES = 16 * 1024 * 1024
# A body below this is parsed and checked in well under a millisecond per kilobyte, less than a thread's hand-over
# would be worth.
_SMALL_BODY_BYTES = 16 * 1024

_logger = logging.getLogger(__name__)
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
    served: frozenset[str] = RESOURCE_TYPES,
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
        _route("/{type}/_search", served, POST=handlers.search_by_form),
        _route("/{type}/$validate", served, POST=handlers.validate),
        _route("/{type}/{id}/_history/{version}", served, GET=handlers.read),
        _route("/{type}/{id}/_history", served, GET=handlers.history),
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
        """Answer a resource or one version of it; 304 where the client has it already."""
        refuse_unless_json_is_wanted(request)
        resource_type, resource_id = request.path_params["type"], request.path_params["id"]
        version = request.path_params.get("version")
        found = await self._store.read(lambda connection: read(connection, resource_type, resource_id, version))
        headers = _version_headers(found.version)
        known = request.headers.get("if-none-match")
        if known is not None and found.version is not None and f'"{found.version.version}"' in known:
            return Response(status_code=304, headers=headers)
        return _json_response(200, found.body, headers)

    async def history(self, request: Request) -> Response:
        """Answer the versions of one resource."""
        refuse_unless_json_is_wanted(request)
        base, (resource_type, resource_id) = base_of(request), _address(request)
        pairs = _pairs_of(request)
        found = await self._store.read(
            lambda connection: history(connection, resource_type, resource_id, pairs, base)
        )
        return _json_response(200, found.body)

    async def search(self, request: Request) -> Response:
        """Answer the searchset of the query in the URL."""
        return await self._search(request, _pairs_of(request))

    async def search_by_form(self, request: Request) -> Response:
        """Answer the searchset of a form, joined with the query in the URL."""
        sent = request.headers.get("content-type", "").partition(";")[0].strip().lower()
        if sent != "application/x-www-form-urlencoded":
            raise refuse(415, "not-supported", "A search is posted as application/x-www-form-urlencoded.")
        body = await read_limited_body(request, self._max_body_bytes)
        try:
            form = split_query(body.decode("ascii"))
        except UnicodeDecodeError as error:
            raise refuse(400, "structure", "A form is written in ASCII, the rest escaped.") from error
        return await self._search(request, _pairs_of(request) + form)

    async def _search(self, request: Request, pairs: list[tuple[str, str]]) -> Response:
        refuse_unless_json_is_wanted(request)
        base, resource_type = base_of(request), request.path_params["type"]
        strict = read_preference(request.headers).strict
        found: Found = await self._store.read(
            lambda connection: search_type(connection, resource_type, pairs, base, strict=strict)
        )
        return _json_response(200, found.body)

    async def create(self, request: Request) -> Response:
        """Store a new resource under a fresh id, or find the one that If-None-Exist describes."""
        base, resource_type = base_of(request), request.path_params["type"]
        resource = await self._resource_in(request, resource_type)
        resource.pop("id", None)
        condition = request.headers.get("if-none-exist")
        step = Step(
            "POST",
            resource_type,
            self._make_id(),
            resource,
            condition=None if condition is None else read_condition(resource_type, condition, base),
        )
        return await self._write(request, step)

    async def update(self, request: Request) -> Response:
        """Store a resource under the id that the client chose, as a new version or as a new resource."""
        resource_type, resource_id = _address(request)
        resource = await self._resource_in(request, resource_type, resource_id)
        return await self._write(request, Step("PUT", resource_type, resource_id, resource))

    async def update_by_condition(self, request: Request) -> Response:
        """Store a resource as the one that the query describes, or as a new one where there is none."""
        base, resource_type = base_of(request), request.path_params["type"]
        resource = await self._resource_in(request, resource_type)
        condition = read_condition(resource_type, request.url.query, base)
        step = Step("PUT", resource_type, own_or_fresh_id(resource, self._make_id), resource, condition=condition)
        return await self._write(request, step)

    async def delete(self, request: Request) -> Response:
        """Mark a resource as deleted; its versions stay readable."""
        resource_type, resource_id = _address(request)
        return await self._write(request, Step("DELETE", resource_type, resource_id))

    async def validate(self, request: Request) -> Response:
        """Answer what the check finds in a resource, which is not stored."""
        refuse_unless_json_is_wanted(request)
        resource_type = request.path_params["type"]
        resource, _ = await self._read_json(request)
        if resource.get("resourceType") == "Parameters":
            resource = _resource_parameter(resource)
        refuse_wrong_type(resource, resource_type)
        issues = issues_of(await asyncio.to_thread(self._check, resource))
        nothing = Issue(
            "informational",
            "The check found nothing. It is not the official validator, and proves no more than it says.",
            severity="information",
        )
        return _json_response(200, write_json(outcome_of(issues or [nothing])))

    async def bundle(self, request: Request) -> Response:
        """Carry out a transaction or a batch."""
        refuse_unless_json_is_wanted(request)
        base = base_of(request)
        bundle, _ = await self._read_json(request)
        entries = refuse_broken_bundle(bundle)
        answer = read_preference(request.headers).answer
        if bundle["type"] == "transaction":
            prepared = await asyncio.to_thread(prepare_entries, entries, self._surroundings(base))
            response = await self._store.write(
                lambda connection: answer_transaction(
                    connection, prepared, now=self._clock(), base=base, answer=answer
                )
            )
        else:
            separate = await asyncio.to_thread(self._prepare_batch, entries, base)
            response = await self._store.write(
                lambda connection: answer_batch(connection, separate, now=self._clock(), base=base, answer=answer)
            )
        return _json_response(200, write_json(response))

    def _prepare_batch(self, entries: list[Mapping[str, Any]], base: str) -> list[Entry | RefusalError]:
        prepared: list[Entry | RefusalError] = []
        for number, entry in enumerate(entries):
            place = f"Bundle.entry[{number}]"
            try:
                prepared.append(prepare_batch_entry(entry, place, self._surroundings(base)))
            except RefusalError as refusal:
                prepared.append(refusal)
        return prepared

    def _surroundings(self, base: str) -> Surroundings:
        return Surroundings(base, self._check, self._make_id, self._served)

    async def _read_json(self, request: Request) -> tuple[dict[str, Any], bool]:
        """Return the JSON object in the body, and whether it is small enough to be worked on without a thread."""
        refuse_unless_json_is_sent(request)
        body = await read_limited_body(request, self._max_body_bytes)
        if len(body) <= _SMALL_BODY_BYTES:
            return read_body(body), True
        return await asyncio.to_thread(read_body, body), False

    async def _resource_in(
        self, request: Request, resource_type: str, resource_id: str | None = None
    ) -> dict[str, Any]:
        """Return the resource in the body, of the right type and id and without an error that the check finds."""
        refuse_unless_json_is_wanted(request)
        resource, is_small = await self._read_json(request)
        refuse_wrong_type(resource, resource_type)
        if resource_id is not None:
            refuse_wrong_id(resource, resource_id)
        if is_small:
            refuse_findings(resource, self._check)
        else:
            await asyncio.to_thread(refuse_findings, resource, self._check)
        return resource

    async def _write(self, request: Request, step: Step) -> Response:
        base = base_of(request)
        if_none_match = request.headers.get("if-none-match") if step.method == "PUT" else None
        step.preconditions = read_preconditions(request.headers.get("if-match"), if_none_match)
        done = await self._store.write(
            lambda connection: carry_out(connection, [step], now=self._clock(), base=base)[0]
        )
        return _written_response(done, base, read_preference(request.headers).answer)


def _route(path: str, served: frozenset[str], **handlers: _Handler) -> Route:
    async def answer(request: Request) -> Response:
        handler = handlers["GET" if request.method == "HEAD" else request.method]
        try:
            if "type" in request.path_params:
                refuse_unknown_type(request.path_params["type"], served)
            return await handler(request)
        except RefusalError as refusal:
            return _refused(refusal)
        except sqlite3.OperationalError as error:
            _log(request, error)
            return _refused(_unavailable())
        except RecursionError:
            return _refused(refuse(400, "too-costly", "The body is nested too deeply."))
        except Exception as error:
            _log(request, error)
            return _refused(refuse(500, "exception", "The endpoint failed; its log says where."))

    return Route(path, answer, methods=list(handlers))


def _log(request: Request, error: Exception) -> None:
    # Frames only: the message of an exception may repeat what a client sent, and that may be about a patient.
    frames = "".join(traceback.format_tb(error.__traceback__))
    _logger.error(
        "%s in %s %s\n%s", type(error).__name__, request.method, request.path_params.get("type", "/"), frames
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


def _written_response(done: Done, base: str, answer: str | None) -> Response:
    headers = _version_headers(done.version)
    if done.version is None or done.version.body is None:
        return Response(status_code=done.status, headers=headers)
    headers["Location"] = f"{base}/{done.version.location}"
    if answer == "minimal":
        return Response(status_code=done.status, headers=headers)
    if answer == "OperationOutcome":
        return _json_response(done.status, write_json(outcome_of([SUCCESS])), headers)
    return _json_response(done.status, done.version.body, headers)


def _version_headers(version: StoredVersion | None) -> dict[str, str]:
    if version is None:
        return {}
    updated_at = datetime.fromisoformat(version.updated_at).astimezone(UTC)
    return {"ETag": version.etag, "Last-Modified": format_datetime(updated_at, usegmt=True)}


def _json_response(status: int, body: bytes, headers: Mapping[str, str] | None = None) -> Response:
    return Response(body, status_code=status, headers=dict(headers or {}), media_type=FHIR_JSON)


def _address(request: Request) -> tuple[str, str]:
    return request.path_params["type"], request.path_params["id"]


def _pairs_of(request: Request) -> list[tuple[str, str]]:
    return split_query(request.url.query)


def _resource_parameter(parameters: Mapping[str, Any]) -> dict[str, Any]:
    """Return the resource that a Parameters hands to $validate."""
    items = parameters.get("parameter")
    for item in items if isinstance(items, list) else []:
        if isinstance(item, Mapping) and item.get("name") == "resource" and isinstance(item.get("resource"), dict):
            resource: dict[str, Any] = item["resource"]
            return resource
    raise refuse(
        400, "required", "The Parameters holds no parameter named resource.", expression="Parameters.parameter"
    )
