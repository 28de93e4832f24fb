"""The commands `resus-fhir audit`: read, prove and export the audit log of the store, and what is missing."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Annotated, TypeVar

import typer

from service.audit.verify_chain import Seal, verify_chain
from service.cli.read_environment import settings_or_stop, stop
from service.exact_json import write_json
from service.making.try_overlay import load_site_stages
from service.problems import ServiceProblem, WrongMapping
from service.reading.read_case import read_gap_groups, read_gaps_of_cases
from service.reading.read_log import entry_body
from service.storage.audit_entries import EntryFilter, filtered_entries
from service.storage.statements import Transaction
from service.storage.store import Store

T = TypeVar("T")

audit_app = typer.Typer(add_completion=False, no_args_is_help=True, help="Read and verify the audit log.")


def _read_store(read: Callable[[Transaction], T]) -> T:
    """Return what `read` finds in the store of the settings, which must be there."""
    settings = settings_or_stop()
    store = Store(settings.store)
    if not store.database.exists():
        stop(f"There is no store at {store.database.name}; set RESUS_STORE to where it is.")
    try:
        store.open()
        return store.read_now(read)
    except ServiceProblem as problem:
        stop(problem.problems[0].message)
    finally:
        store.close()


@audit_app.command(name="verify")
def audit_verify(
    seal: Annotated[str | None, typer.Option(help="A seal that was kept elsewhere, as NUMBER:HASH.")] = None,
) -> None:
    """Prove that the log, and the records and refused bodies that it tells of, are as they were written."""
    held = None
    if seal is not None:
        number, _, digest = seal.partition(":")
        if not number.isdecimal() or len(digest) != 64:
            stop("A seal is NUMBER:HASH, as this command prints it; GET /v1/audit/seal gives both parts.")
        held = Seal(int(number), digest)
    report = _read_store(lambda tx: verify_chain(tx, held))
    for fault in report.faults:
        typer.echo(fault, err=True)
    counted = "1 fault" if len(report.faults) == 1 else f"{len(report.faults)} faults"
    verdict = counted if report.faults else "as written"
    typer.echo(f"{report.entries} entries: {verdict}; seal {report.seal.number}:{report.seal.hash}")
    raise typer.Exit(1 if report.faults else 0)


@audit_app.command(name="entries")
def audit_entries(
    case: Annotated[str | None, typer.Option(help="Only entries about this case.")] = None,
    action: Annotated[str | None, typer.Option(help="Only entries with this action.")] = None,
    after: Annotated[int, typer.Option(help="Only entries with a higher number.", min=0)] = 0,
    limit: Annotated[int, typer.Option(help="Maximum number of entries.", min=1)] = 100,
) -> None:
    """Print entries of the log, one JSON object per line."""
    wanted = EntryFilter(case_id=case, action=action)
    for entry in _read_store(lambda tx: filtered_entries(tx, wanted, after, limit)):
        typer.echo(write_json(entry_body(entry)).decode())


@audit_app.command(name="export")
def audit_export(file: Annotated[Path, typer.Argument(help="The file to write.")]) -> None:
    """Write the whole log to a file, one JSON object per line, oldest first."""

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
    *,
    by_element: Annotated[bool, typer.Option("--by-element", help="Count each element over all cases.")] = False,
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
