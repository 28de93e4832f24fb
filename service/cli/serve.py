"""The commands `resus-fhir serve` and `resus-fhir deliver`: the processes that run until they are stopped."""

from __future__ import annotations

import asyncio
import signal
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Annotated

import typer
import uvicorn
from uvicorn import Config

from service.cli.read_environment import settings_or_stop, stop
from service.configure_logging import configure_logging
from service.main import ServeOptions, build_application, check_address, deliver, prepare_store
from service.pause_collection import collection_paused
from service.problems import ServiceProblem, WrongMapping
from service.settings import WrongSettings

serve_app = typer.Typer(add_completion=False)
deliver_app = typer.Typer(add_completion=False)


@contextmanager
def _one_sentence() -> Iterator[None]:
    """Stop with a sentence where settings, mapping data or store cannot be used."""
    try:
        yield
    except WrongSettings as wrong:
        stop(f"The settings cannot be used: {wrong}")
    except WrongMapping as wrong:
        stop(f"The mapping data cannot be used:\n{wrong}")
    except ServiceProblem as problem:
        stop(problem.problems[0].message)


@serve_app.command(name="serve")
def serve_command(
    *,
    host: Annotated[str, typer.Option(help="Address to listen on.")] = "127.0.0.1",
    port: Annotated[int, typer.Option(help="Port to listen on.", min=1, max=65535)] = 8000,
    delivers: Annotated[
        bool,
        typer.Option(
            "--deliver/--no-deliver", help="Deliver from this process too, or leave that to other processes."
        ),
    ] = True,
) -> None:
    """Serve the API and deliver. Without RESUS_DESTINATION, offer an embedded FHIR endpoint at /fhir."""
    configure_logging()
    settings = settings_or_stop()
    own_host = f"[{host}]" if ":" in host else "127.0.0.1" if host in ("0.0.0.0", "localhost") else host  # noqa: S104
    with _one_sentence(), collection_paused():
        check_address(settings, host)
        application = build_application(settings, ServeOptions(f"http://{own_host}:{port}", delivers=delivers))
        prepare_store(settings)
    # Nothing here speaks over web sockets, and a server that could would import a library for it at each start.
    uvicorn.run(
        application,
        host=host,
        port=port,
        ws="none",
        access_log=False,
        log_level="warning",
        timeout_graceful_shutdown=10,
    )


@deliver_app.command(name="deliver")
def deliver_command() -> None:
    """Deliver what waits in the store to RESUS_DESTINATION, until the command is stopped."""
    configure_logging()
    settings = settings_or_stop()

    async def until_stopped() -> None:
        task = asyncio.current_task()
        loop = asyncio.get_running_loop()
        for number in (signal.SIGINT, signal.SIGTERM):
            loop.add_signal_handler(number, lambda: task.cancel() if task else None)
        await deliver(settings)

    # The loop that `serve` runs on, which is faster than Python's own where the platform has it.
    loop_factory = Config(app="", loop="auto").get_loop_factory()
    with (
        _one_sentence(),
        suppress(asyncio.CancelledError),
        asyncio.Runner(loop_factory=loop_factory) as runner,
    ):
        runner.run(until_stopped())
