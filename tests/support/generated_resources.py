"""The generated variations as a whole: what the service makes of a fixed number of records of every kind."""

from __future__ import annotations

from collections.abc import Iterator

from service.exact_json import write_json
from service.problems import Rejected
from tests.support.generated_records import checks, generate, records
from tests.support.made_resources import (
    GeneratedCase,
    Resource,
    cases,
    check_resources,
    device_resources,
    shipped_stages,
)

CASES_OF_A_KIND = 13
WHOLE_CASES = 12
CHECKS = 30
CHECKS_OF_ALL_ITEMS = 10
DEVICES = 20


def _taken(generated: list[GeneratedCase]) -> Iterator[Resource]:
    """Yield the resources of the cases that intake takes; what contradicts itself makes none."""
    stages = shipped_stages()
    for case in generated:
        try:
            read = case.read(stages)
        except Rejected:
            continue
        yield from read.resources(stages)


def _all() -> Iterator[Resource]:
    stages = shipped_stages()
    vocabulary = stages.vocabulary
    for kind in sorted(vocabulary.events):
        yield from _taken(generate(cases([kind]), CASES_OF_A_KIND))
    plain = [kind for kind, shape in sorted(vocabulary.events.items()) if not shape.impossible]
    yield from _taken(generate(cases(plain, most_events=12), WHOLE_CASES))
    everything = len(vocabulary.check_items)
    for least, count in ((1, CHECKS), (everything, CHECKS_OF_ALL_ITEMS)):
        for content in generate(checks(vocabulary, least), count):
            yield from check_resources(content, stages)
    for content in generate(records(vocabulary.device, vocabulary), DEVICES):
        yield from device_resources(content, stages)


def generated_resources() -> list[Resource]:
    """Return all of them, each once; the same ones in every run."""
    return list({write_json(resource): resource for resource in _all()}.values())
