"""Measures map, check and serialise of one event against the plain way: python -m tests.bench.map_one_event.

Ours is what the service does for one event between intake and store: make_event, check_made, write_json. The plain
way builds the same two resources of a rhythm event as nested fhir.resources R4B objects, which check themselves as
they are built, and dumps them by model_dump_json. Both make their ids, both begin with the same read event; what
they write is compared before anything is measured. Loops alternate; the numbers are medians over the loops, in
processor time, so that what else the machine does matters less.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any
from uuid import NAMESPACE_URL, uuid5

from fhir.resources.R4B.codeableconcept import CodeableConcept
from fhir.resources.R4B.coding import Coding
from fhir.resources.R4B.identifier import Identifier
from fhir.resources.R4B.observation import Observation, ObservationComponent
from fhir.resources.R4B.provenance import Provenance, ProvenanceAgent, ProvenanceEntity
from fhir.resources.R4B.reference import Reference

from service.data_folders import data_folder
from service.exact_json import content_hash, read_json, write_json
from service.making.check_made import check_made
from service.making.frame_case import CaseFrame, frame_case
from service.making.make_events import make_event
from service.making.stages import Stages, load_stages
from service.records.events import RecordedEvent
from service.timeline.correct_times import NO_HISTORY, correct

GOAL = 10.0
ROUNDS = 30
EVENTS_A_ROUND = 50
KIND = "rhythm_assessed"
OPENED_AT = datetime(2031, 3, 2, 9, 17, 43, 250_000, tzinfo=UTC)
RESUS = "https://resus-fhir.example/fhir/CodeSystem/resuscitation"
MDC = "urn:iso:std:iso:11073:10101"
RHYTHMS = {
    "ventricular_fibrillation": (
        ("http://snomed.info/sct", "71908006", "Ventricular fibrillation (disorder)"),
        (MDC, "665376", "Ventricular Fibrillation"),
    )
}


@dataclass(frozen=True, slots=True)
class Setting:
    """What both ways begin with."""

    stages: Stages
    frame: CaseFrame


def make_setting() -> Setting:
    """Return the stages and the case of the demonstration."""
    stages = load_stages("urn:example:resus")
    case = read_json((data_folder("examples") / "demo" / "case.json").read_bytes())
    return Setting(stages, frame_case(stages, "c-1", case, OPENED_AT))


def example_event(setting: Setting, kind: str) -> RecordedEvent:
    """Return the example of a kind as it is after intake."""
    example = {"id": "e-1", "at": "2031-03-02T10:02:05+01:00", **setting.stages.vocabulary.events[kind].example}
    content = read_json(write_json({**example, "kind": kind}))
    return RecordedEvent("c-1", content["id"], kind, 1, retracted=False, content=content, received_at=OPENED_AT)


def our_way(setting: Setting, event: RecordedEvent) -> list[bytes]:
    """Return the resources of an event as the service makes, checks and writes them."""
    corrected = correct(event, NO_HISTORY)
    made = make_event(setting.stages, setting.frame, event, corrected, {})
    check_made(made)
    return [write_json(resource.made.body) for resource in made]


def _concept(*codings: tuple[str, str, str], text: str | None = None) -> CodeableConcept:
    return CodeableConcept(
        coding=[Coding(system=system, code=code, display=display) for system, code, display in codings], text=text
    )


def plain_way(setting: Setting, event: RecordedEvent) -> list[bytes]:
    """Return the resources of a rhythm event, built as nested fhir.resources objects."""
    content, shared = event.content, setting.frame.shared
    observation_id, provenance_id, device_id = (
        str(uuid5(NAMESPACE_URL, f"{role}/{event.case_id}/{event.id}"))
        for role in ("rhythm", "provenance", "device")
    )
    recorder = content["recorded_by"]
    rhythm = RHYTHMS[content["rhythm"]]
    observation = Observation(
        id=observation_id,
        identifier=[Identifier(system="urn:ietf:rfc:3986", value=f"urn:uuid:{observation_id}")],
        status="final",
        category=[
            _concept(("http://terminology.hl7.org/CodeSystem/observation-category", "exam", "Exam"), text="Exam")
        ],
        subject=Reference(reference=shared["reference patient"]["reference"]),
        encounter=Reference(reference=shared["reference encounter"]["reference"]),
        partOf=[Reference(reference=shared["reference resuscitation"]["reference"])],
        issued=event.received_at,
        performer=[Reference(display=recorder["name"])],
        device=Reference(reference=f"Device/{device_id}"),
        effectiveDateTime=content["at"],
        code=_concept(
            ("http://loinc.org", "8884-9", "Heart rate rhythm"),
            (MDC, "184327", "MDC_ECG_STAT_RHY"),
            text="Cardiac rhythm",
        ),
        valueCodeableConcept=_concept(*rhythm, text="Ventricular fibrillation"),
        component=[
            ObservationComponent(
                code=_concept((RESUS, "pulse-present", "Pulse present"), text="Pulse present"),
                valueBoolean=content["pulse_present"],
            ),
            ObservationComponent(
                code=_concept((RESUS, "rhythm-shockable", "Rhythm is shockable"), text="Rhythm is shockable"),
                valueBoolean=content["shockable"],
            ),
        ],
    )
    participant = "http://terminology.hl7.org/CodeSystem/provenance-participant-type"
    operation = "http://terminology.hl7.org/CodeSystem/v3-DataOperation"
    provenance = Provenance(
        id=provenance_id,
        target=[Reference(reference=f"Observation/{observation_id}")],
        occurredDateTime=content["at"],
        recorded=event.received_at,
        activity=_concept((operation, "CREATE", "create")),
        agent=[
            ProvenanceAgent(
                type=_concept((participant, "author", "Author"), text="Author"),
                role=[CodeableConcept(text=recorder["role"])],
                who=Reference(display=recorder["name"]),
            ),
            ProvenanceAgent(
                type=_concept((participant, "assembler", "Assembler"), text="Assembler"),
                who=Reference(display="resus-fhir"),
            ),
        ],
        entity=[
            ProvenanceEntity(
                role="source",
                what=Reference(
                    identifier=Identifier(
                        system=f"{setting.stages.source}:records", value=f"{event.case_id}/{event.id}"
                    ),
                    display=f"SHA-256 {content_hash(content)}",
                ),
            )
        ],
    )
    return [observation.model_dump_json().encode(), provenance.model_dump_json().encode()]


def _without_ids(value: Any) -> Any:
    """Return a resource without the ids that each way makes for itself, and moments as moments."""
    if isinstance(value, dict):
        return {name: _without_ids(member) for name, member in value.items() if name not in {"id", "resource_type"}}
    if isinstance(value, list):
        return [_without_ids(item) for item in value]
    if isinstance(value, str) and ("urn:uuid:" in value or value.startswith(("Device/", "Observation/"))):
        return value.partition("/")[0][:8]
    if isinstance(value, str) and value[4:5] == "-" and value[10:11] == "T":
        return datetime.fromisoformat(value)
    return value


def assert_the_same(ours: list[bytes], plain: list[bytes]) -> None:
    """Assert that both ways write the same resources, spelling of moments and own ids aside."""
    for mine, theirs in zip(ours, plain, strict=True):
        left, right = _without_ids(read_json(mine)), _without_ids(read_json(theirs))
        assert left == right, f"\n{mine.decode()}\n{theirs.decode()}"


def seconds_an_event(way: Callable[[], object], count: int) -> float:
    """Return the processor time of one call, over a loop of `count`."""
    begun = time.process_time()
    for _ in range(count):
        way()
    return (time.process_time() - begun) / count


@dataclass(frozen=True, slots=True)
class Measured:
    """Medians in microseconds an event, and the ratio of the first two."""

    ours: float
    plain: float
    all_kinds: float
    slowest_kind: tuple[str, float]

    @property
    def ratio(self) -> float:
        """Return how many times faster ours is."""
        return self.plain / self.ours


def measure(rounds: int = ROUNDS) -> Measured:
    """Return what both ways take, in alternating loops."""
    setting = make_setting()
    event = example_event(setting, KIND)
    assert_the_same(our_way(setting, event), plain_way(setting, event))
    ours: list[float] = []
    plain: list[float] = []
    for _ in range(rounds):
        ours.append(seconds_an_event(lambda: our_way(setting, event), EVENTS_A_ROUND * 8))
        plain.append(seconds_an_event(lambda: plain_way(setting, event), EVENTS_A_ROUND))
    kinds = {}
    for kind in sorted(setting.stages.vocabulary.events):
        one = example_event(setting, kind)
        our_way(setting, one)
        kinds[kind] = statistics.median(_loops(setting, one))
    slowest = max(kinds, key=lambda kind: kinds[kind])
    micro = 1e6
    return Measured(
        statistics.median(ours) * micro,
        statistics.median(plain) * micro,
        statistics.median(kinds.values()) * micro,
        (slowest, kinds[slowest] * micro),
    )


def _loops(setting: Setting, event: RecordedEvent) -> list[float]:
    return [seconds_an_event(lambda: our_way(setting, event), EVENTS_A_ROUND) for _ in range(7)]


def main() -> None:
    """Measure and print."""
    measured = measure()
    name, slowest = measured.slowest_kind
    print(f"map + check + serialise, one {KIND} (Observation and Provenance)")
    print(f"  ours                {measured.ours:8.0f} µs an event (median of {ROUNDS} loops)")
    print(f"  fhir.resources R4B  {measured.plain:8.0f} µs an event")
    print(f"  ratio               {measured.ratio:8.1f} times (goal {GOAL:g})")
    print(f"  all kinds           {measured.all_kinds:8.0f} µs an event (median; slowest {name}: {slowest:.0f})")


if __name__ == "__main__":
    main()
