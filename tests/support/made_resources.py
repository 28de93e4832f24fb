"""Takes records as the service takes them, without a store: read by intake, mapped by the shipped mappings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cache
from typing import Any

from hypothesis import strategies as st

from service.intake.read_check import read_check
from service.intake.read_record import read_event, read_record
from service.making.frame_case import frame_case
from service.making.make_device import make_check, make_device
from service.making.make_events import make_timeline
from service.making.stages import Stages, load_stages
from service.readiness.judge_check import judge_check
from service.records.clocks import ClockReading
from service.records.events import RecordedEvent
from service.records.instants import parse_instant
from service.records.receipts import Receipt
from tests.support.generated_records import events, instants, records
from tests.support.made_events import timeline

RECEIVED_AT = datetime(2031, 3, 2, 12, 0, 0, 120_000, tzinfo=UTC)
RECEIPT = Receipt("generated", RECEIVED_AT)
CASE_ID = "c-1"
DEVICE_ID = "D-3"

Resource = dict[str, Any]


@cache
def shipped_stages() -> Stages:
    """Return the stages compiled from the shipped mapping data."""
    return load_stages("urn:example:resus")


@dataclass(frozen=True, slots=True)
class GeneratedCase:
    """A case with its events, what each event has become since (version, retraction), and the clocks' readings."""

    case: Mapping[str, Any]
    events: tuple[tuple[Mapping[str, Any], int, bool], ...]
    readings: Mapping[str, Sequence[ClockReading]]

    def read(self, stages: Stages) -> GeneratedCase:
        """Return the same case as intake took it; Rejected where intake refuses one of its records."""
        return GeneratedCase(
            read_record(self.case, stages.vocabulary.case).content,
            tuple(
                (read_event(event, stages.vocabulary).content, version, retracted)
                for event, version, retracted in self.events
            ),
            self.readings,
        )

    def resources(self, stages: Stages) -> list[Resource]:
        """Return what the service makes of the case: anchors, devices, events and spans."""
        frame = frame_case(stages, CASE_ID, self.case, RECEIVED_AT)
        recorded = [
            RecordedEvent(CASE_ID, event["id"], event["kind"], version, retracted, event, RECEIVED_AT)
            for event, version, retracted in self.events
        ]
        devices = sorted({event["device"] for event, _, _ in self.events if "device" in event})
        made = [resource for device in devices for resource in make_device(stages, device, {}, RECEIPT)]
        made += make_timeline(stages, frame, timeline(recorded, self.readings, frame.started_at))
        return [*(anchor.body for anchor in frame.resources), *(resource.made.body for resource in made)]


def cases(kinds: Sequence[str], most_events: int = 1) -> st.SearchStrategy[GeneratedCase]:
    """Return cases with one event or more of the given kinds, on clocks that are right, wrong or not known."""
    vocabulary = shipped_stages().vocabulary
    either = st.one_of([events(kind, vocabulary) for kind in kinds])
    return _cases(records(vocabulary.case, vocabulary), either, most_events)


@st.composite
def _cases(
    draw: st.DrawFn,
    contents: st.SearchStrategy[dict[str, Any]],
    either: st.SearchStrategy[dict[str, Any]],
    most_events: int,
) -> GeneratedCase:
    content = draw(contents)
    drawn = draw(st.lists(either, min_size=1, max_size=most_events))
    # Ids are unique within a case, and a made-up one must not meet the others by chance.
    named = drawn if most_events == 1 else [{**event, "id": f"e-{number}"} for number, event in enumerate(drawn)]
    readings = {}
    for clock in sorted({event["clock"] for event in named if "clock" in event}):
        pairs = draw(st.lists(st.tuples(instants(), st.integers(-7200, 7200)), max_size=2))
        readings[clock] = [
            ClockReading(clock, parse_instant(at), parse_instant(at) + timedelta(seconds=seconds), f"r-{number}")
            for number, (at, seconds) in enumerate(pairs)
        ]
    versions = [draw(st.sampled_from([(1, False), (1, False), (2, False), (2, True)])) for _ in named]
    return GeneratedCase(
        content,
        tuple((event, version, gone) for event, (version, gone) in zip(named, versions, strict=True)),
        readings,
    )


def device_resources(content: Mapping[str, Any], stages: Stages) -> list[Resource]:
    """Return what the service makes of a device; Rejected where intake refuses it."""
    read = read_record(content, stages.vocabulary.device)
    return [resource.made.body for resource in make_device(stages, DEVICE_ID, read.content, RECEIPT)]


def check_resources(content: Mapping[str, Any], stages: Stages) -> list[Resource]:
    """Return what the service makes of a device check; Rejected where intake refuses it."""
    read = read_check(content, stages.vocabulary).content
    verdict = judge_check(read["items"], stages.vocabulary.check_items, read["checked_at"])
    reasons = [reason.says for reason in verdict.reasons]
    made = make_check(stages, DEVICE_ID, read, (verdict.outcome, reasons), RECEIPT)
    return [resource.made.body for resource in made]
