"""Puts the parts together: store, stages, worker, embedded endpoint and application, from the settings."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Collection, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from fastapi import FastAPI
from starlette.requests import HTTPConnection
from starlette.routing import BaseRoute
from starlette.types import ASGIApp, Receive, Send
from starlette.types import Scope as AsgiScope

from service.checking.check_resource import check_resource
from service.checking.read_with_models import warm_up
from service.checking.table import COVERED_RESOURCES
from service.clock import Clock, random_id, system_clock
from service.delivery.authorise import Authorisation, FixedAuthorisation
from service.delivery.connect_destination import connect_destination, public_keys
from service.delivery.destination_state import destination_of
from service.endpoint.application import Endpoint, create_endpoint
from service.endpoint.mount_endpoint import routes_at
from service.making.stages import Stages
from service.making.try_overlay import load_site_stages
from service.problems import ServiceProblem
from service.settings import AuthMode as Auth
from service.settings import Settings, WrongSettings, is_loopback
from service.storage.store import Store
from service.taking.take_events import take_posted
from service.web.answers import problem_answer
from service.web.application import create_application
from service.web.authenticate import Authenticator, Scope, make_authenticator, new_token, permit
from service.web.requests import Parts
from service.worker.remake_regularly import remaking
from service.worker.run_worker import Worker

ENDPOINT_PATH = "/fhir"

_FINISH_SECONDS = 5.0
"""How long a worker that is stopped may take over what is under way, beside the answer that it waits for."""

_UNTIL_WE_LISTEN_SECONDS = 0.3


class Guarded:
    """Lets only callers with one of the scopes reach an application of another protocol, such as FHIR."""

    def __init__(self, app: ASGIApp, authenticator: Authenticator) -> None:
        self._app = app
        self._authenticator = authenticator

    async def __call__(self, scope: AsgiScope, receive: Receive, send: Send) -> None:
        """Pass the request on, or refuse it."""
        try:
            permit(self._authenticator.identify(HTTPConnection(scope)), Scope.INTEGRATE)
        except ServiceProblem as refused:
            await problem_answer(refused.problems)(scope, receive, send)
            return
        await self._app(scope, receive, send)


def endpoint_file(settings: Settings) -> Path:
    """Return the file in which the embedded endpoint keeps its resources; the default is beside the store."""
    if settings.endpoint_store is not None:
        return settings.endpoint_store
    store = settings.store if isinstance(settings.store, Path) else Path("resus.sqlite")
    return store.with_name(f"{store.stem}-endpoint{store.suffix or '.sqlite'}")


def prepare_store(settings: Settings) -> None:
    """Bring the store to the newest schema; Unavailable, which says why, where it cannot be opened."""
    store = Store(settings.store)
    try:
        store.open()
    finally:
        store.close()


@dataclass(frozen=True, slots=True)
class ServeOptions:
    """How one process serves: its own base URL, and whether it delivers."""

    own_base: str
    delivers: bool = True


def check_address(settings: Settings, host: str) -> None:
    """Raise WrongSettings where the service would listen to others without asking who they are."""
    if settings.auth is Auth.NONE and not is_loopback(host):
        message = f"without authentication the service can listen on a loopback address only, not on {host}"
        raise WrongSettings(f"{message}; set RESUS_AUTH=tokens and RESUS_TOKENS")


def build_application(settings: Settings, options: ServeOptions, clock: Clock = system_clock) -> FastAPI:
    """Return the application of one serving process; nothing is opened before its lifespan begins.

    Raises WrongMapping and WrongSettings where the service cannot start.
    """
    stages: Stages = load_site_stages(settings.source, settings.mappings)
    store = Store(settings.store)
    own_token = new_token()
    authenticator = make_authenticator(settings, own_token)
    endpoint: Endpoint | None = None
    routes: Sequence[BaseRoute] = ()
    authorisation: Authorisation | None = None
    if settings.destination is None:
        base = options.own_base + ENDPOINT_PATH
        endpoint = create_endpoint(
            endpoint_file(settings),
            check=check_resource,
            clock=clock,
            make_id=random_id,
            served=frozenset(COVERED_RESOURCES),
        )
        routes = routes_at(ENDPOINT_PATH, Guarded(endpoint, authenticator))
        authorisation = FixedAuthorisation(f"Bearer {own_token}") if settings.auth is Auth.TOKENS else None
    else:
        base = str(settings.destination)
    client = connect_destination(settings, base, clock, authorisation)
    made = stages.mappings.resource_types
    destination = destination_of(client.base, made, settings.left_out_types) if options.delivers else None

    @asynccontextmanager
    async def lifespan() -> AsyncIterator[None]:
        store.open()
        async with contextlib.AsyncExitStack() as stack:
            stack.callback(store.close)
            if endpoint is not None:
                stack.callback(endpoint.close)
            await stack.enter_async_context(remaking(store, stages, clock))
            if destination is not None:
                await stack.enter_async_context(client)
                worker = Worker(store, client, settings, destination, clock)
                running = asyncio.create_task(_run_worker(worker, made))
                stack.push_async_callback(_finish, worker, running)
            yield

    parts = Parts(
        stages,
        store,
        settings,
        clock,
        authenticator,
        destination,
        public_keys(settings),
        partial(take_posted, stages),
    )
    return create_application(parts, lifespan, routes)


async def _run_worker(worker: Worker, needed: Collection[str]) -> None:
    """Run the worker, a moment after this process listens.

    Its destination may be this process; and no first caller has to wait until the second reader has its models.
    """
    await asyncio.sleep(_UNTIL_WE_LISTEN_SECONDS)
    await asyncio.to_thread(warm_up, needed)
    await worker.run()


async def _finish(worker: Worker, running: asyncio.Task[None], seconds: float = _FINISH_SECONDS) -> None:
    """Stop the worker and wait for what is under way; after a while it is left for the next start to resend."""
    worker.stop()
    done, _ = await asyncio.wait([running], timeout=seconds)
    if not done:
        running.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await running


async def deliver(settings: Settings, clock: Clock = system_clock) -> None:
    """Deliver from the store until cancelled; WrongSettings without a destination."""
    if settings.destination is None:
        raise WrongSettings("deliver needs RESUS_DESTINATION; the embedded endpoint is a part of serve")
    needed = load_site_stages(settings.source, settings.mappings).mappings.resource_types
    store = Store(settings.store)
    store.open()
    try:
        warm_up(needed)
        async with connect_destination(settings, str(settings.destination), clock) as client:
            destination = destination_of(client.base, needed, settings.left_out_types)
            worker = Worker(store, client, settings, destination, clock)
            running = asyncio.create_task(worker.run())
            try:
                await asyncio.shield(running)
            finally:
                # What is under way has its time to end, so that no lease is left behind.
                await _finish(worker, running, settings.timeout_seconds + _FINISH_SECONDS)
    finally:
        store.close()
