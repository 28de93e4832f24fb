"""Loads the stages with a site's overlay and tries them on every example before the first record is taken."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from service.checking.check_resource import check_resource
from service.data_folders import data_folder
from service.mapping.explain_mapping import explaining
from service.pipeline.example_records import make_examples
from service.pipeline.keep_resources import RecordResource
from service.pipeline.stages import Stages, load_stages
from service.problems import MappingFault, WrongMapping
from service.records.references import references_in


def load_site_stages(source: str, overlay: Path | None) -> Stages:
    """Return the stages with the site's overlay, of which every example makes valid resources.

    Without an overlay nothing is tried: what the service ships with has passed its tests. Raises WrongMapping with
    every fault of the compiler, or else of the trial, each with file and line.
    """
    stages = load_stages(source, overlay)
    if overlay is not None:
        try_examples(stages)
    return stages


def try_examples(stages: Stages) -> None:
    """Make every example; WrongMapping where a resource breaks FHIR R4 or refers to one that is not made."""
    if not any(True for _, made in _examples(stages) for _ in _departures(made)):
        return
    mappings, explained = explaining(stages.mappings)
    faults: list[MappingFault] = []
    for name, made in _examples(replace(stages, mappings=mappings, frames={})):
        for reference, path, message in _departures(made):
            place = explained[reference].place_of(path)
            faults.append(place.fault(f"what this makes of the example {name} would be refused: {path}: {message}"))
    raise WrongMapping(dict.fromkeys(faults))


def _examples(stages: Stages) -> Iterator[tuple[str, list[RecordResource]]]:
    return make_examples(stages, data_folder("examples"))


def _departures(made: list[RecordResource]) -> Iterator[tuple[str, str, str]]:
    """Yield reference, path and message of what is wrong with the resources of one example."""
    there = {resource.made.reference for resource in made}
    for resource in made:
        for finding in check_resource(resource.made.body):
            if finding.severity == "error":
                yield resource.made.reference, finding.path, finding.message
        for missing in set(references_in(resource.made.body)) - there:
            kind = missing.partition("/")[0]
            yield resource.made.reference, resource.made.resource_type, f"it refers to a {kind} that is not made"
