"""Takes a case in hand: its frame, the clocks of its events, its timeline."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import TypeVar

from service.making.frame_case import CaseFrame, frame_case
from service.making.stages import Stages
from service.problems import Code, ServiceProblem, refusal_for
from service.records.events import RecordedEvent
from service.records.instants import parse_instant
from service.records.timeline import Timeline
from service.storage.cases import StoredCase, case_version, find_case
from service.storage.clock_readings import readings_of_clock, state_of_clock
from service.storage.events import events_of_case
from service.storage.statements import Transaction
from service.timeline.correct_times import NO_HISTORY, ClockHistory, place_events

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
    return refusal_for(
        Code.UNKNOWN_CASE, "", "there is no case of this id", f"a case that was opened with PUT /v1/cases/{case_id}"
    )


class Clocks:
    """What is known of the clocks that time events; each is asked for once in a unit of work."""

    def __init__(self, tx: Transaction, stages: Stages) -> None:
        self._tx, self._stages = tx, stages
        self._found: dict[str, ClockHistory] = {}

    def get(self, clock: str | None) -> ClockHistory:
        """Return the history of a clock; one without readings where it was never compared."""
        if clock is None:
            return NO_HISTORY
        if clock not in self._found:
            state = state_of_clock(self._tx, clock)
            self._found[clock] = NO_HISTORY if state is None else self._history(clock, state)
        return self._found[clock]

    def _history(self, clock: str, state: str) -> ClockHistory:
        readings = partial(readings_of_clock, self._tx, clock)
        return _remembered(self._stages, ("clock", clock, state), lambda: ClockHistory(readings()))


@dataclass(frozen=True, slots=True)
class OpenCase:
    """A case that a unit of work has in hand: its transaction, the stages, the case's frame, its events' clocks."""

    tx: Transaction
    stages: Stages
    frame: CaseFrame
    clocks: Clocks

    @property
    def case_id(self) -> str:
        """Return the id of the case."""
        return self.frame.case_id

    def place(self, events: Sequence[RecordedEvent]) -> Timeline:
        """Return the timeline of some events of the case."""
        return place_events(events, self.clocks.get, self.frame.started_at)


def open_case(tx: Transaction, stages: Stages, case_id: str) -> OpenCase:
    """Take a case in hand as it is now; Rejected where there is no such case."""
    version = case_version(tx, case_id)
    if version is None:
        raise unknown_case(case_id)

    def frame() -> CaseFrame:
        case = existing_case(tx, case_id)
        return frame_case(stages, case_id, case.content, case.opened_at)

    key = ("frame", case_id, str(version[0]), version[1])
    return OpenCase(tx, stages, _remembered(stages, key, frame), Clocks(tx, stages))


def timeline_of(tx: Transaction, stages: Stages, case: StoredCase) -> Timeline:
    """Return the whole timeline of a case."""
    started = case.content.get("started_at")
    return place_events(
        events_of_case(tx, case.case_id), Clocks(tx, stages).get, parse_instant(started) if started else None
    )
