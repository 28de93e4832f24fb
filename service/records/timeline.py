"""The timeline of a case: its events in the order in which they happened, with times on the reference clock."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property, lru_cache
from itertools import groupby

from service.records.clocks import CorrectedTime
from service.records.events import RecordedEvent

_RANKS = {
    "arrest_recognised": 0,
    "circulation_lost": 1,
    "compressions_paused": 2,
    "rhythm_assessed": 3,
    "shock_not_advised": 3,
    "charge_cancelled": 4,
    "shock_delivered": 4,
    "cardioversion_delivered": 4,
    "compressions_started": 5,
    "circulation_returned": 7,
    "efforts_ended": 9,
}
_OTHER_RANK = 6
_DIGITS = re.compile(r"([0-9]+)")


@lru_cache(maxsize=8192)
def _number_aware(event_id: str) -> tuple[tuple[str, int, str], ...]:
    """Return what orders ids as people read them: e-9 before e-10."""
    return tuple(("", int(part), part) if part.isdigit() else (part, 0, "") for part in _DIGITS.split(event_id))


def order_events(events: Iterable[RecordedEvent], times: Mapping[str, CorrectedTime]) -> list[RecordedEvent]:
    """Return events in the order in which they happened; the order in which they arrived has no part in it.

    They are ordered by corrected time, and by raw time where that is not known. At equal times the order is what
    people mean: an arrest is recognised, compressions pause, the rhythm is assessed, a shock is given, compressions
    start, all else; circulation returns after these, and efforts end last. A loss of circulation comes first where
    circulation had returned before, and after a return of the same time otherwise. Then ids decide, with their
    digits read as numbers.

    Source: decided here; no published rule is known.
    """

    def key(event: RecordedEvent) -> tuple[datetime, int, tuple[tuple[str, int, str], ...]]:
        return times[event.id].order_at, _RANKS.get(event.kind, _OTHER_RANK), _number_aware(event.id)

    ordered = sorted(events, key=key)
    if not any(event.kind == "circulation_lost" for event in ordered):
        return ordered
    return list(_losses_after_their_return(ordered, times))


def _losses_after_their_return(
    ordered: Sequence[RecordedEvent], times: Mapping[str, CorrectedTime]
) -> Iterator[RecordedEvent]:
    has_returned = False
    for _, same_time in groupby(ordered, key=lambda event: times[event.id].order_at):
        group = list(same_time)
        returns = [event for event in group if event.kind == "circulation_returned" and not event.retracted]
        losses = [event for event in group if event.kind == "circulation_lost"]
        if returns and losses and not has_returned:
            last = max(place for place, event in enumerate(group) if event.kind == "circulation_returned")
            group = [*(one for one in group[: last + 1] if one not in losses), *losses, *group[last + 1 :]]
        for event in group:
            if event.kind in ("circulation_returned", "circulation_lost") and not event.retracted:
                has_returned = event.kind == "circulation_returned"
            yield event


@dataclass(frozen=True)
class Timeline:
    """Events of one case in the order in which they happened, those entered in error included.

    `times` holds the corrected time of each event by its id, `started_at` is when the case began, if that is known.
    """

    events: Sequence[RecordedEvent]
    times: Mapping[str, CorrectedTime]
    started_at: datetime | None = None

    @cached_property
    def live(self) -> Sequence[RecordedEvent]:
        """Return the events that were not entered in error."""
        return [event for event in self.events if not event.retracted]

    @cached_property
    def _by_kind(self) -> Mapping[str, Sequence[RecordedEvent]]:
        by_kind: dict[str, list[RecordedEvent]] = {}
        for event in self.live:
            by_kind.setdefault(event.kind, []).append(event)
        return by_kind

    def of_kind(self, kind: str) -> Sequence[RecordedEvent]:
        """Return the events of a kind that were not entered in error."""
        return self._by_kind.get(kind, ())

    @property
    def kinds(self) -> Iterable[str]:
        """Return the kinds of which there is an event that was not entered in error."""
        return self._by_kind.keys()

    def time_of(self, event: RecordedEvent) -> CorrectedTime:
        """Return the corrected time of one of the events."""
        return self.times[event.id]
