"""Finds a case and what is derived from it: its frame, the clocks of its events, its timeline."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import TypeVar

from service.making.frame_case import CaseFrame, frame_case
from service.making.stages import Stages
from service.problems import Code, ServiceProblem, refuse
from service.records.events import RecordedEvent
from service.records.instants import parse_instant
from service.records.timeline import Timeline
from service.storage.cases import StoredCase, case_version, find_case
from service.storage.clock_readings import readings_of_clock, states_of_clocks
from service.storage.events import events_of_case
from service.storage.statements import Transaction
from service.timeline.correct_times import ClockHistory, place_events

T = TypeVar("T")

_MOST_REMEMBERED = 1024


def _remembered(stages: Stages, key: tuple[str, ...], make: Callable[[], T]) -> T:
    known: T | None = stages.remembered.get(key)
    if known is None:
        known = make()
        while len(stages.remembered) >= _MOST_REMEMBERED:
            stages.remembered.pop(next(iter(stages.remembered)))
        stages.remembered[key] = known
    return known


def existing_case(tx: Transaction, case_id: str) -> StoredCase:
    """Return a case; Rejected where there is none."""
    case = find_case(tx, case_id)
    if case is None:
        raise unknown_case(case_id)
    return case


def unknown_case(case_id: str) -> ServiceProblem:
    """Return the problem of a case that was never opened."""
    return refuse(
        Code.UNKNOWN_CASE, "", "there is no case of this id", f"a case that was opened with PUT /v1/cases/{case_id}"
    )


def find_frame(tx: Transaction, stages: Stages, case_id: str) -> CaseFrame:
    """Return the frame of a case as it is now; Rejected where there is no such case."""
    version = case_version(tx, case_id)
    if version is None:
        raise unknown_case(case_id)

    def frame() -> CaseFrame:
        case = existing_case(tx, case_id)
        return frame_case(stages, case_id, case.content, case.opened_at)

    key = ("frame", case_id, str(version[0]), version[1])
    return _remembered(stages, key, frame)


def histories_of(tx: Transaction, stages: Stages, events: Iterable[RecordedEvent]) -> dict[str, ClockHistory]:
    """Return what is known of each clock that timed one of the events, by the clock's name."""
    states = states_of_clocks(tx, {event.clock for event in events if event.clock is not None})
    return {clock: _history(tx, stages, clock, state) for clock, state in states.items()}


def _history(tx: Transaction, stages: Stages, clock: str, state: str) -> ClockHistory:
    return _remembered(stages, ("clock", clock, state), lambda: ClockHistory(readings_of_clock(tx, clock)))


def place_on_timeline(
    tx: Transaction, stages: Stages, events: Sequence[RecordedEvent], frame: CaseFrame | None = None
) -> Timeline:
    """Return the timeline of some events of a case; when the case began is known from its `frame`."""
    return place_events(events, histories_of(tx, stages, events), frame.started_at if frame else None)


def timeline_of(tx: Transaction, stages: Stages, case: StoredCase) -> Timeline:
    """Return the whole timeline of a case."""
    events = events_of_case(tx, case.case_id)
    started = case.content.get("started_at")
    return place_events(events, histories_of(tx, stages, events), parse_instant(started) if started else None)
