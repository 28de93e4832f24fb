"""The command `resus-fhir destination check`: can we deliver to that server, and does it keep what it is sent."""

from __future__ import annotations

import asyncio
import os
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated

import typer

from service.cli.read_environment import settings_or_stop, stop
from service.clock import random_id, system_clock
from service.delivery.authorise import NotAuthorisedError
from service.delivery.connect_destination import connect_destination
from service.delivery.exchange import UnreachableError
from service.delivery.fhir_client import FhirClient
from service.delivery.read_capabilities import (
    TYPES_WITHOUT_IDENTIFIER,
    Capabilities,
    NotAFhirServerError,
    TypeCapabilities,
    choose_strategy,
    missing_capabilities,
    silent_on_client_ids,
)
from service.delivery.try_destination import Trial, TrialStep
from service.making.try_overlay import load_site_stages
from service.problems import WrongMapping
from service.settings import Settings, Strategy, WrongSettings

destination_app = typer.Typer(
    add_completion=False, no_args_is_help=True, help="Check the FHIR server to which everything is delivered."
)


@destination_app.callback()
def of_the_destination() -> None:
    """Keep `check` a command of its own, however few there are."""


@dataclass(frozen=True, slots=True)
class Examined:
    """What the server says and does; `unlisted` says of each type that it does not list whether it answers.

    `silent` are the types of which it does not say whether it takes our ids; `tried` are the same, where it took
    the id of the test patient.
    """

    capabilities: Capabilities
    strategy: Strategy
    unlisted: Mapping[str, bool]
    silent: Sequence[str]
    tried: Sequence[str]
    missing: Sequence[str]
    steps: Sequence[TrialStep]

    @property
    def good(self) -> bool:
        """Return whether everything that is needed is there."""
        return not self.missing and all(step.good or not step.needed for step in self.steps)


@destination_app.command(name="check")
def destination_check(
    url: Annotated[str | None, typer.Argument(help="Base URL; by default that of RESUS_DESTINATION.")] = None,
    *,
    read_only: Annotated[bool, typer.Option("--read-only", help="Write no test patient; only read.")] = False,
) -> None:
    """Say whether the server can do what delivery needs, and try it with one patient that is marked as a test.

    Ends with 0 if everything needed is there, 1 if something is missing, 2 if the server cannot be asked.
    """
    if url is not None:
        os.environ["RESUS_DESTINATION"] = url
    settings = settings_or_stop()
    if settings.destination is None:
        stop("Which server? Give its base URL, or set RESUS_DESTINATION.")
    try:
        needed = load_site_stages(settings.source, settings.mappings).mappings.resource_types
        examined = asyncio.run(_examine(settings, str(settings.destination), needed, tries=not read_only))
    except WrongMapping as wrong:
        stop(f"The mapping data cannot be used:\n{wrong}")
    except WrongSettings as wrong:
        stop(f"The settings cannot be used: {wrong}")
    except (UnreachableError, NotAFhirServerError, NotAuthorisedError) as error:
        stop(f"Delivery to {settings.destination} is not possible: {error}.")
    for line in _report(settings, examined, needed):
        typer.echo(line)
    raise typer.Exit(0 if examined.good else 1)


async def _examine(settings: Settings, base: str, needed: Collection[str], *, tries: bool) -> Examined:
    sent = frozenset(needed) - settings.left_out_types
    async with connect_destination(settings, base, system_clock) as client:
        said = await client.capabilities()
        strategy = choose_strategy(said, sent, settings.strategy)
        unlisted = {name: await _answers(client, name) for name in sorted(sent) if name not in said.types}
        listed_or_silent = [name for name in sent if not unlisted.get(name, False)]
        trial = Trial(client, strategy, settings.source, random_id(), system_clock())
        if tries:
            await trial.run()
    # Servers take ids without saying so; who chose them by hand and saw them taken does not need the words.
    silent = silent_on_client_ids(said, sent)
    tried = silent if strategy is Strategy.CLIENT_IDS and trial.passed else ()
    missing = missing_capabilities(said, listed_or_silent, strategy, tried)
    return Examined(said, strategy, unlisted, silent, tried, missing, trial.steps)


async def _answers(client: FhirClient, resource_type: str) -> bool:
    """Return whether the server searches a type that it does not list; some take more than they say."""
    answer = await client.call("GET", f"{resource_type}?_count=1")
    return answer.status == 200 and b'"searchset"' in answer.body


def _report(settings: Settings, examined: Examined, needed: Collection[str]) -> list[str]:
    said = examined.capabilities
    how = "chosen by what the server says" if settings.strategy is Strategy.AUTO else "as RESUS_STRATEGY says"
    lines = [
        f"{settings.destination}",
        f"  software     {said.software:.60}, FHIR {said.fhir_version:.20}",
        f"  transaction  {_word(said.transaction)}",
        f"  strategy     {examined.strategy.value}, {how}",
    ]
    rows: list[tuple[str, ...]] = [
        ("type", "listed", "client ids", "conditional create", "conditional update", "by identifier", "versions")
    ]
    rows += [_row(name, examined, left_out=name in settings.left_out_types) for name in sorted(needed)]
    lines += ["", *_columns(rows)]
    lines += _remark_on_client_ids(settings, examined)
    if examined.steps:
        lines += ["", "tried with a marked test patient"]
        lines += _columns([(step.name, _verdict(step), step.told) for step in examined.steps])
    lines.append("")
    lines += [f"missing: {sentence}" for sentence in examined.missing]
    lines += [f"failed: {step.name}: {step.told}" for step in examined.steps if step.needed and not step.good]
    lines.append("everything needed is there" if examined.good else "something needed is missing")
    return lines


def _remark_on_client_ids(settings: Settings, examined: Examined) -> list[str]:
    """Return what there is to say of ids of the client's choice where the server says nothing of them."""
    silence = "remark: the server does not say whether it takes ids of the client's choice (updateCreate)"
    if examined.tried:
        return ["", f"  {silence}; it took the id of the test patient"]
    if examined.silent and settings.strategy is Strategy.AUTO:
        return ["", f"  {silence}; set RESUS_STRATEGY=client-ids, and this command tries them"]
    return []


def _row(name: str, examined: Examined, *, left_out: bool) -> tuple[str, ...]:
    if left_out:
        return (name, "left out by RESUS_LEAVE_OUT_TYPES")
    if examined.strategy is not Strategy.CLIENT_IDS and name in TYPES_WITHOUT_IDENTIFIER:
        return (name, f"left out: it has no identifier in R4, and {examined.strategy.value} needs one")
    kind: TypeCapabilities | None = examined.capabilities.types.get(name)
    if kind is None:
        return (name, "no, but it answers a search" if examined.unlisted.get(name) else "no")
    client_ids = "not said" if name in examined.silent else _word(kind.update_create)
    words = map(_word, (kind.conditional_create, kind.conditional_update, kind.search_by_identifier))
    return (name, "yes", client_ids, *words, kind.versioning or "not said")


def _word(there: bool) -> str:
    return "yes" if there else "no"


def _verdict(step: TrialStep) -> str:
    if step.good:
        return "good"
    return "FAILED" if step.needed else "no (optional)"


def _columns(rows: Sequence[tuple[str, ...]]) -> list[str]:
    """Return the rows as lines with their cells below each other; a last cell may be of any length."""
    widths: dict[int, int] = {}
    for row in rows:
        for place, cell in enumerate(row[:-1]):
            widths[place] = max(widths.get(place, 0), len(cell))
    return [
        "  " + "  ".join(cell.ljust(widths.get(place, 0)) for place, cell in enumerate(row)).rstrip()
        for row in rows
    ]
