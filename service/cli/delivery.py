"""The command `resus-fhir delivery verify`: does the destination still hold what was delivered."""

from __future__ import annotations

import asyncio
from typing import Annotated

import typer

from service.cli.read_environment import settings_or_stop, stop
from service.clock import random_id, system_clock
from service.delivery.connect_destination import connect_destination
from service.problems import ServiceProblem
from service.settings import Settings, WrongSettings
from service.storage.cases import find_case
from service.storage.open_database import database_at
from service.storage.read_backs import Result
from service.storage.store import Store
from service.worker.read_back import ReadBackReport, read_back

delivery_app = typer.Typer(add_completion=False, no_args_is_help=True, help="Check what was delivered.")


@delivery_app.callback()
def of_deliveries() -> None:
    """Keep `verify` a command of its own, however few there are."""


@delivery_app.command(name="verify")
def delivery_verify(
    case: Annotated[str | None, typer.Option(help="Check this case only.")] = None,
) -> None:
    """Fetch what was delivered from RESUS_DESTINATION, compare it with what was sent, and log the result.

    Ends with 0 if everything is kept, 1 if something was changed or is gone, 2 if not everything could be read.
    """
    settings = settings_or_stop()
    if settings.destination is None:
        stop("delivery verify needs RESUS_DESTINATION, the server to read from.")
    if not database_at(settings.store).exists():
        stop(f"There is no store at {database_at(settings.store).name}; set RESUS_STORE to where it is.")
    try:
        report = asyncio.run(_verify(settings, str(settings.destination), case))
    except WrongSettings as wrong:
        stop(f"The settings cannot be used: {wrong}")
    except ServiceProblem as problem:
        stop(problem.problems[0].message)
    for subject, counts in sorted(report.counts.items()):
        words = ", ".join(f"{counts[result]} {result.value}" for result in Result)
        typer.echo(f"{subject}: {words}")
        for found in report.changed.get(subject, ()):
            where = f" at {', '.join(found.paths)}" if found.paths else ""
            typer.echo(f"  {found.resource.reference} {found.result.value}{where}")
    total = report.total
    if not report.counts and report.problem is None:
        typer.echo("Nothing has been delivered yet.")
        return
    typer.echo("all: " + ", ".join(f"{total[result]} {result.value}" for result in Result))
    if report.problem is not None:
        stop(f"Not everything was read: {report.problem}.")
    raise typer.Exit(1 if total[Result.CHANGED] or total[Result.GONE] else 0)


async def _verify(settings: Settings, base: str, case: str | None) -> ReadBackReport:
    store = Store(settings.store)
    store.open()
    try:
        if case is not None and await store.read(lambda tx: find_case(tx, case)) is None:
            stop(f"There is no case {case!r} in {store.database.name}.")
        async with connect_destination(settings, base, system_clock) as client:
            return await read_back(store, client, system_clock, random_id, case)
    finally:
        store.close()
