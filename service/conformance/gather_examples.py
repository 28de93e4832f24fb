"""Gathers the examples of the package: what the service makes of its shipped examples and of every kind."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from service.conformance.plan_profiles import Profile
from service.exact_json import read_json, write_json
from service.making.example_records import example_event, make_case_records, make_check_records
from service.making.stages import Stages
from service.mapping.apply_mapping import MadeResource
from service.readiness.read_clock import read_clock_item
from service.records.clocks import ClockReading

EXAMPLE_INSTALLATION = "urn:example:resus-fhir"
"""The URI of the installation that the examples come from."""

_DEVICE = "D-3"


def _every_kind(stages: Stages) -> list[dict[str, Any]]:
    """Return the example of every event kind, with the kind as its id, since the examples' own ids may repeat."""
    examples = {kind: example_event(stages, kind) for kind in stages.vocabulary.events}
    kind_of: dict[str, str] = {}
    for kind, example in examples.items():
        kind_of.setdefault(example["id"], kind)
    return [
        {**example, "id": kind, **({"documents": kind_of[example["documents"]]} if "documents" in example else {})}
        for kind, example in examples.items()
    ]


def _bare_kinds(stages: Stages) -> list[dict[str, Any]]:
    """Return an event of every kind that holds nothing but what is required."""
    shapes = stages.vocabulary.events
    return [
        {"kind": event["kind"]}
        | {name: event[name] for name, field in shapes[event["kind"]].fields.items() if field.required}
        for event in _every_kind(stages)
    ]


def _checks(stages: Stages, check: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """Yield a check as it ships, one with every item, one that failed, and one whose items say nothing."""
    every_item = {name: shape.example for name, shape in stages.vocabulary.check_items.items() if shape.example}
    yield check
    yield {**check, "id": "k-every-item", "items": every_item}
    yield {**check, "id": "k-failed", "items": {"self_test": {"result": "failed"}}}
    yield {**check, "id": "k-bare-items", "items": {name: {} for name in every_item}}


def _as_read(value: Any) -> Any:
    """Return a value as the service would read it off the wire, so that fractions keep their digits."""
    return read_json(write_json(value))


def _made(stages: Stages, folder: Path) -> Iterator[MadeResource]:
    def read(name: str) -> Any:
        return read_json((folder / name).read_bytes())

    def case(name: str, content: Any, events: Any, readings: Sequence[ClockReading]) -> Iterator[MadeResource]:
        return (one.made for one in make_case_records(stages, content, events, readings, name))

    first = read("device-check/check.json")
    reading = read_clock_item(_DEVICE, first["id"], first["items"].get("clock", {}))
    readings = [] if reading is None else [reading]
    for check in _checks(stages, first):
        yield from (
            one.made for one in make_check_records(stages, read("device-check/device.json"), _as_read(check))
        )
    for name in sorted(file.parent.name for file in folder.glob("*/case.json")):
        yield from case(name, read(f"{name}/case.json"), read(f"{name}/events.json"), readings)
    whole = _as_read(stages.vocabulary.case.example)
    yield from case("every-kind", whole, _as_read(_every_kind(stages)), readings)
    # What is made where everything that may be missing is missing shows what a profile may demand.
    yield from case("bare-kinds", {"patient": whole["patient"]}, _bare_kinds(stages), [])


def gather_examples(stages: Stages, folder: Path, profiles: Iterable[Profile]) -> list[dict[str, Any]]:
    """Return the example resources, each once, sorted by type and id; each claims the profile of its template.

    `folder` holds the examples that ship with the service. The service itself claims no profile of ours in what it
    delivers, since some servers refuse a profile that they do not know; examples do, so that validators check them.
    The same data give the same resources: the clock stands still.
    """
    urls = {rule: profile.url for profile in profiles for rule in profile.rules}
    made: dict[str, MadeResource] = {}
    for resource in _made(stages, folder):
        made.setdefault(resource.reference, resource)
    return [_claiming(made[reference], urls) for reference in sorted(made)]


def _claiming(resource: MadeResource, urls: Mapping[str, str]) -> dict[str, Any]:
    """Return a copy of the resource that claims the profile of its template beside those that it claims already."""
    url = urls.get(resource.rule)
    if url is None:
        return resource.body
    meta = resource.body.get("meta", {})
    rest = {name: value for name, value in resource.body.items() if name not in ("resourceType", "id", "meta")}
    return {
        "resourceType": resource.resource_type,
        "id": resource.id,
        "meta": {**meta, "profile": [*meta.get("profile", ()), url]},
        **rest,
    }
