"""The commands `resus-fhir mappings`: what is wrong in the data, what an overlay changes, which line made what."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer

from service.cli.read_environment import settings_or_stop, stop
from service.conformance.gather_examples import EXAMPLE_INSTALLATION
from service.conformance.plan_profiles import unprofiled_types
from service.conformance.write_package import build_package, write_package
from service.data_folders import data_folder
from service.exact_json import BrokenJsonError, read_json, write_pretty_json
from service.making.example_records import make_examples, make_records_of_kind
from service.making.record_resource import RecordResource
from service.making.stages import Stages, load_stages
from service.making.try_overlay import load_site_stages, try_examples
from service.mapping.element_origins import ElementOrigin
from service.mapping.explain_mapping import ExplainedResource, explaining
from service.problems import ServiceProblem, WrongMapping
from service.settings import Settings
from service.vocabulary.mapping_data import MappingData

mappings_app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    help="Check, explain and package the mapping data and the site's overlay.",
)


def _stages_or_exit(settings: Settings, source: str | None = None) -> Stages:
    """Return the stages with the overlay; the command ends with status 1 and all faults where there are any.

    `source` takes the place of the URI of the installation.
    """
    try:
        return load_site_stages(source or settings.source, settings.mappings)
    except WrongMapping as wrong:
        typer.echo(str(wrong), err=True)
        typer.echo("1 fault" if len(wrong.faults) == 1 else f"{len(wrong.faults)} faults", err=True)
        raise typer.Exit(1) from wrong


@mappings_app.command(name="check")
def mappings_check(
    *,
    golden: Annotated[
        bool, typer.Option("--golden", help="Show what the overlay changes in the resources of every example.")
    ] = False,
) -> None:
    """Read the mapping data and the overlay of RESUS_MAPPINGS; say what is wrong and what the overlay changes."""
    settings = settings_or_stop()
    stages = _stages_or_exit(settings)
    if settings.mappings is None:
        try_examples(stages)
    vocabulary = stages.vocabulary
    concepts = sum(len(table.concepts) for table in vocabulary.tables.values())
    typer.echo(
        f"{len(vocabulary.events)} event kinds, {len(vocabulary.check_items)} check items,"
        f" {len(vocabulary.tables)} code tables with {concepts} concepts, {len(stages.rules.rules)} rules: no fault"
    )
    changes = vocabulary.data.changes
    if settings.mappings is not None:
        typer.echo(f"the overlay {settings.mappings} makes {len(changes)} changes" + (":" if changes else ""))
    for change in changes:
        typer.echo(f"{change}  ({vocabulary.data.line_of(change.place)})")
    if golden:
        for line in _golden_diff(load_stages(settings.source), stages):
            typer.echo(line)


def _spelled(resources: Iterable[RecordResource]) -> dict[str, list[str]]:
    """Return each resource, by its reference, as lines of JSON."""
    return {one.made.reference: write_pretty_json(one.made.body).decode().splitlines() for one in resources}


def _golden_diff(base: Stages, site: Stages) -> Iterator[str]:
    """Yield, for every example, the lines that the overlay changes in its resources, as a unified diff."""
    examples = data_folder("examples")
    changed = unchanged = 0
    for (name, before), (_, after) in zip(
        make_examples(base, examples), make_examples(site, examples), strict=True
    ):
        old, new = _spelled(before), _spelled(after)
        rules = {one.made.reference: one.made.rule for one in (*before, *after)}
        for reference in dict.fromkeys((*old, *new)):
            if old.get(reference) == new.get(reference):
                unchanged += 1
                continue
            changed += 1
            yield from difflib.unified_diff(
                old.get(reference, []),
                new.get(reference, []),
                f"base/{name}/{reference}" if reference in old else "/dev/null",
                f"overlay/{name}/{reference}  {rules[reference]}" if reference in new else "/dev/null",
                lineterm="",
            )
    yield f"resources of the examples: {changed} changed, {unchanged} unchanged"


@mappings_app.command(name="package")
def mappings_package(
    output: Annotated[
        Path | None,
        typer.Option("--output", "-o", help="The file to write; by default its name is that of the package."),
    ] = None,
) -> None:
    """Write the FHIR package: profiles, value sets, concept maps and examples, made from the mapping data."""
    # The examples are no site's own, so that the same data give the same bytes everywhere.
    stages = _stages_or_exit(settings_or_stop(), EXAMPLE_INSTALLATION)
    package = build_package(stages, data_folder("examples"))
    file = output or Path(package.file_name)
    try:
        size = write_package(package, file)
    except OSError as error:
        stop(f"{file} cannot be written: {error.strerror}")
    typer.echo(
        f"{file}: {len(package.conformance)} conformance resources, {len(package.examples)} examples, {size} bytes"
    )
    for name in unprofiled_types(stages.mappings):
        typer.echo(f"no profile for {name}: its official definition is not at hand", err=True)


@mappings_app.command(name="explain")
def mappings_explain(
    kind: Annotated[str, typer.Argument(help="An event kind, a check item, a span, or case, device, check.")],
    field: Annotated[str | None, typer.Option(help="Show only elements that come from this field.")] = None,
    event: Annotated[
        Path | None,
        typer.Option(help="A file with an event of this kind, used instead of the example.", exists=True),
    ] = None,
) -> None:
    """Print for every element of the resources of KIND's example: its field, its placeholder and its line."""
    stages = _stages_or_exit(settings_or_stop())
    mappings, explained = explaining(stages.mappings)
    vocabulary = stages.vocabulary
    fields = {
        shape.name: shape.fields
        for shape in (
            *vocabulary.events.values(),
            *vocabulary.check_items.values(),
            *vocabulary.spans.values(),
            vocabulary.case,
            vocabulary.device,
            vocabulary.check,
        )
    }
    if kind not in fields:
        stop(f"There is no kind {kind!r}. Known: {', '.join(fields)}")
    if field is not None and field not in fields[kind]:
        stop(f"{kind} has no field {field!r}. Known: {', '.join(fields[kind])}")
    if event is not None and kind not in vocabulary.events:
        stop(f"{kind} is not an event kind, so --event cannot be used")
    try:
        content = None if event is None else read_json(event.read_bytes())
        if content is not None and (not isinstance(content, dict) or content.get("kind") != kind):
            stop(f"{event} does not hold an event of the kind {kind}")
        made = make_records_of_kind(replace(stages, mappings=mappings), kind, content)
    except BrokenJsonError as broken:
        stop(f"{event} is not JSON: {broken}")
    except ServiceProblem as refused:
        stop("\n".join(f"{problem.pointer}: {problem.message}" for problem in refused.problems))
    for resource in made:
        for line in _table(explained[resource.made.reference], vocabulary.data, field):
            typer.echo(line)


def _table(explained: ExplainedResource, data: MappingData, field: str | None) -> Iterator[str]:
    """Yield the lines that explain one resource, of all elements or of those that come from a field."""
    wanted = [
        element
        for element in explained.elements
        if field is None or field in (*element.origin.fields, *element.when)
    ]
    if not wanted and field not in explained.when:
        return
    when = f", made only for some values of {', '.join(explained.when)}" if explained.when else ""
    yield f"{explained.made.resource_type}  {explained.made.rule}{when}"
    rows = [(element.path, _source(element), data.line_of(element.place)) for element in wanted]
    path_width = max((len(path) for path, *_ in rows), default=0)
    source_width = max((len(source) for _, source, _ in rows), default=0)
    for path, source, line in rows:
        yield f"  {path:{path_width}}  {source:{source_width}}  {line}"


def _source(element: ElementOrigin) -> str:
    """Return what an element comes from: the placeholder, the fields that it does not name itself, `when`."""
    source = " + ".join(element.origin.sources)
    unnamed = [name for name in element.origin.fields if name not in source.replace(".", " ").split()]
    if unnamed:
        source += f" (field {', '.join(unnamed)})"
    if element.when:
        source += f" where {', '.join(element.when)}"
    return source
