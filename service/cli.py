"""The commands of resus-fhir; the only place beside `main` that reads the environment."""

from __future__ import annotations

import asyncio
import signal
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Annotated, TypeVar

import typer
import uvicorn

from service.audit.verify_chain import Seal, verify_chain
from service.cli_delivery import delivery_app
from service.cli_destination import destination_app
from service.cli_mappings import mappings_app
from service.configure_logging import configure_logging
from service.demo import run_demo
from service.exact_json import write_json
from service.main import ServeOptions, build_application, check_address, deliver
from service.pipeline.read_case import read_gap_groups, read_gaps_of_cases
from service.pipeline.try_overlay import load_site_stages
from service.problems import ServiceProblem, WrongMapping
from service.read_environment import settings_or_stop, stop
from service.settings import WrongSettings
from service.storage.audit_entries import EntryFilter, filtered_entries
from service.storage.statements import Transaction
from service.storage.store import Store
from service.web.audit import entry_body
from service.web.authenticate import Scope, new_token, token_digest

T = TypeVar("T")

app = typer.Typer(
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    help="Resuscitation events and device checks to FHIR R4, delivered exactly once and audited. "
    "It documents; it gives no advice, is no medical device, and must not be used to decide treatment.",
)
audit_app = typer.Typer(no_args_is_help=True, help="Ask the audit log.")
app.add_typer(audit_app, name="audit")
app.add_typer(mappings_app, name="mappings")
app.add_typer(destination_app, name="destination")
app.add_typer(delivery_app, name="delivery")


@app.command()
def serve(
    host: Annotated[str, typer.Option(help="Address to listen on.")] = "127.0.0.1",
    port: Annotated[int, typer.Option(help="Port to listen on.", min=1, max=65535)] = 8000,
    deliver: Annotated[
        bool,
        typer.Option("--deliver/--no-deliver", help="Deliver from this process too; off where others deliver."),
    ] = True,
) -> None:
    """Serve the API, deliver, and, without RESUS_DESTINATION, offer an embedded FHIR endpoint at /fhir."""
    configure_logging()
    settings = settings_or_stop()
    own_host = f"[{host}]" if ":" in host else "127.0.0.1" if host in ("0.0.0.0", "localhost") else host  # noqa: S104
    try:
        check_address(settings, host)
        application = build_application(settings, ServeOptions(f"http://{own_host}:{port}", delivers=deliver))
    except WrongSettings as wrong:
        stop(f"The settings cannot be used: {wrong}")
    except WrongMapping as wrong:
        stop(f"The mapping data cannot be used:\n{wrong}")
    uvicorn.run(
        application, host=host, port=port, access_log=False, log_level="warning", timeout_graceful_shutdown=10
    )


@app.command(name="deliver")
def deliver_command() -> None:
    """Deliver what waits in the store to RESUS_DESTINATION, until stopped."""
    configure_logging()
    settings = settings_or_stop()

    async def until_stopped() -> None:
        task = asyncio.current_task()
        loop = asyncio.get_running_loop()
        for number in (signal.SIGINT, signal.SIGTERM):
            loop.add_signal_handler(number, lambda: task.cancel() if task else None)
        await deliver(settings)

    try:
        asyncio.run(until_stopped())
    except asyncio.CancelledError:
        return
    except WrongSettings as wrong:
        stop(f"The settings cannot be used: {wrong}")
    except WrongMapping as wrong:
        stop(f"The mapping data cannot be used:\n{wrong}")
    except ServiceProblem as problem:
        stop(problem.problems[0].message)


@app.command()
def demo(
    once: Annotated[bool, typer.Option("--once", help="End when the demonstration is over.")] = False,
    port: Annotated[int, typer.Option(help="Port to listen on; 0 chooses a free one.", min=0, max=65535)] = 0,
) -> None:
    """Post a made-up case to a service that is started for it, deliver it, audit it, and say what happened."""
    raise typer.Exit(asyncio.run(run_demo(once=once, port=port, say=typer.echo)))


@app.command()
def token(
    name: Annotated[str, typer.Argument(help="Who will hold it; the name goes into the audit log.")],
    scope: Annotated[list[Scope], typer.Option(help="What it allows; may be given several times.")],
) -> None:
    """Make a token: print it once, and the lines for the file that RESUS_TOKENS names."""
    fresh = new_token()
    typer.echo(f"The token, shown once: {fresh}", err=True)
    scopes = ", ".join(sorted({one.value for one in scope}))
    typer.echo(f"- name: {name}\n  scopes: [{scopes}]\n  sha256: {token_digest(fresh)}")


def _read_store(read: Callable[[Transaction], T]) -> T:
    """Return what `read` finds in the store of the settings, which must be there."""
    settings = settings_or_stop()
    if not settings.store.is_file():
        stop(f"There is no store at {settings.store}; RESUS_STORE names it.")
    store = Store(settings.store)
    try:
        store.open()
        return store.read_now(read)
    except ServiceProblem as problem:
        stop(problem.problems[0].message)
    finally:
        store.close()


@audit_app.command(name="verify")
def audit_verify(
    seal: Annotated[str | None, typer.Option(help="A seal kept elsewhere, as NUMBER:HASH.")] = None,
) -> None:
    """Prove that the log, and every event and refused body it vouches for, is as it was written."""
    held = None
    if seal is not None:
        number, _, digest = seal.partition(":")
        if not number.isdecimal() or len(digest) != 64:
            stop("A seal is written NUMBER:HASH, as this command and GET /v1/audit/seal give it.")
        held = Seal(int(number), digest)
    report = _read_store(lambda tx: verify_chain(tx, held))
    for fault in report.faults:
        typer.echo(fault, err=True)
    verdict = "as written" if not report.faults else f"{len(report.faults)} faults"
    typer.echo(f"{report.entries} entries: {verdict}; seal {report.seal.number}:{report.seal.hash}")
    raise typer.Exit(1 if report.faults else 0)


@audit_app.command(name="entries")
def audit_entries(
    case: Annotated[str | None, typer.Option(help="Only entries of this case.")] = None,
    action: Annotated[str | None, typer.Option(help="Only entries with this action.")] = None,
    after: Annotated[int, typer.Option(help="Only entries with a higher number.", min=0)] = 0,
    limit: Annotated[int, typer.Option(help="At most so many.", min=1)] = 100,
) -> None:
    """Print entries of the log, one JSON object a line."""
    wanted = EntryFilter(case_id=case, action=action)
    for entry in _read_store(lambda tx: filtered_entries(tx, wanted, after, limit)):
        typer.echo(write_json(entry_body(entry)).decode())


@audit_app.command(name="export")
def audit_export(file: Annotated[Path, typer.Argument(help="The file to write.")]) -> None:
    """Write the whole log into a file, one JSON object a line, oldest first."""

    def write(tx: Transaction) -> int:
        after = 0
        with file.open("wb") as out:
            while page := filtered_entries(tx, EntryFilter(), after, 1000):
                out.writelines(write_json(entry_body(entry)) + b"\n" for entry in page)
                after = page[-1].number
        return after

    typer.echo(f"{_read_store(write)} entries in {file}")


@audit_app.command(name="gaps")
def audit_gaps(
    by_element: Annotated[bool, typer.Option("--by-element", help="Count over all cases.")] = False,
) -> None:
    """Print what is missing in the cases of the store."""
    settings = settings_or_stop()
    try:
        stages = load_site_stages(settings.source, settings.mappings)
    except WrongMapping as wrong:
        stop(f"The mapping data cannot be used:\n{wrong}")
    if by_element:
        for group in _read_store(lambda tx: read_gap_groups(tx, stages))["groups"]:
            typer.echo(f"{group['missing']:6} of {group['applicable']:6}  {group['element']}")
        return
    after = ""
    while True:
        page = _read_store(partial(read_gaps_of_cases, stages=stages, after=after, most=200))
        for gap in page["gaps"]:
            event = f" ({gap['event_id']})" if gap["event_id"] else ""
            typer.echo(f"{gap['case_id']}: {gap['state']} {gap['element']}{event}: {gap['ask']}")
        if "next" not in page:
            return
        after = page["next"]


def main() -> None:
    """Run the command line."""
    app()
