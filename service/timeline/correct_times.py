"""First step of the timeline: puts the time that a device's clock showed on the reference clock."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise

from service.records.clocks import ClockReading, CorrectedTime
from service.records.events import RecordedEvent
from service.records.timeline import Timeline, order_events
from service.timeline.timeline_findings import TimelineFinding

USUAL_DRIFT = 1e-4
"""Seconds a second that a quartz clock gains or loses at most in use (8.6 s a day). Source: from memory."""

GREATEST_DRIFT = 1e-3
"""Seconds a second (86 s a day) beyond which a clock did not drift but was set. Source: decided here."""


@dataclass(frozen=True, slots=True)
class _Offset:
    seconds: float
    uncertainty_seconds: float
    findings: tuple[TimelineFinding, ...] = ()


class ClockHistory:
    """The readings of one clock, in the order of the reference clock, which is the true one."""

    def __init__(self, readings: Iterable[ClockReading] = ()) -> None:
        self._readings = sorted(readings, key=lambda one: (one.reference_at, one.device_at, one.record_key))
        self._shown = [reading.device_at for reading in self._readings]
        # A clock that was set back repeats its own times; then no order of them helps to find a pair.
        self._was_set_back = any(one > other for one, other in pairwise(self._shown))
        self._first, self._last = min(self._shown, default=None), max(self._shown, default=None)

    def offset_at(self, stamped: datetime) -> _Offset | None:
        """Return the offset that held when the clock showed `stamped`; None where it was never compared."""
        if self._first is None or self._last is None:
            return None
        if stamped < self._first:
            return _extrapolated(stamped, self._readings[0])
        if stamped > self._last:
            return _extrapolated(stamped, self._readings[-1])
        around = [pair for pair in self._pairs(stamped) if _lies_between(stamped, *pair)]
        steady = [pair for pair in around if not _was_set_between(*pair)]
        if not steady:
            return _across_a_setting(stamped, *around[-1])
        candidates = [_interpolated(stamped, *pair) for pair in steady]
        spread = max(one.seconds for one in candidates) - min(one.seconds for one in candidates)
        # A stamp that equals a reading lies in the two pairs around it, which agree; a stamp that the clock showed
        # twice, because it was set back, lies in two that do not.
        precision = max(one.uncertainty_seconds for one in candidates)
        if spread <= 2 * precision:
            return candidates[-1]
        return _Offset(candidates[-1].seconds, precision + spread, (TimelineFinding.CLOCK_WAS_SET,))

    def _pairs(self, stamped: datetime) -> list[tuple[ClockReading, ClockReading]]:
        """Return the pairs of neighbours between which a stamp may lie, in order."""
        readings = self._readings
        if len(readings) == 1:
            return [(readings[0], readings[0])]
        if self._was_set_back:
            return list(pairwise(readings))
        first = max(bisect_left(self._shown, stamped) - 1, 0)
        return list(pairwise(readings[first : bisect_right(self._shown, stamped) + 1]))


NO_HISTORY = ClockHistory()
"""That of a clock which was never compared."""


def correct(event: RecordedEvent, history: ClockHistory) -> CorrectedTime:
    """Return the time of `event` on the reference clock; `history` is that of the event's own clock.

    By the reference clock the time stays as it is. By a device's clock it is the device's time minus the offset
    (device minus reference). Two neighbouring readings are two points (device time, reference time), and between
    them the offset lies on the straight line: whether the line is drawn over device time or over reference time,
    it is the same line, so both give the same result. Outside all readings the nearest one holds
    (the first before them, the last after them). Without any, nothing is corrected.

    The uncertainty is the precision of the event, plus that of the comparison (the difference of two times that
    are cut to whole seconds is off by less than one), plus, outside the readings, `USUAL_DRIFT` over the distance
    to the nearest one, plus, where the clock was set between two readings, the whole jump.

    Source: the calculation is common practice; the limits are named above, each with its source.
    """
    stamped = datetime.fromisoformat(event.at)
    if event.clock is None:
        return CorrectedTime(event.at, stamped, stamped, 0.0, event.precision_seconds, ())
    offset = history.offset_at(stamped)
    if offset is None:
        return CorrectedTime(event.at, stamped, None, None, None, (TimelineFinding.CLOCK_OFFSET_UNKNOWN,))
    return CorrectedTime(
        at=event.at,
        stamped_at=stamped,
        corrected_at=stamped - timedelta(seconds=offset.seconds),
        offset_seconds=offset.seconds,
        uncertainty_seconds=round(event.precision_seconds + offset.uncertainty_seconds, 3),
        findings=offset.findings,
    )


HistoryOf = Callable[[str | None], ClockHistory]
"""Returns what is known of a clock by its name; the name of the reference clock is None."""


def place_events(
    events: Sequence[RecordedEvent],
    history_of: HistoryOf,
    started_at: datetime | None = None,
) -> Timeline:
    """Return the timeline of events of one case."""
    times = {event.id: correct(event, history_of(event.clock)) for event in events}
    return Timeline(order_events(events, times), times, started_at)


def _lies_between(stamped: datetime, one: ClockReading, other: ClockReading) -> bool:
    earlier, later = sorted((one.device_at, other.device_at))
    return earlier <= stamped <= later


def _was_set_between(one: ClockReading, other: ClockReading) -> bool:
    """Return whether the offset changed by more than drift and the precision of both readings explain."""
    elapsed = (other.reference_at - one.reference_at).total_seconds()
    explained = one.precision_seconds + other.precision_seconds + GREATEST_DRIFT * elapsed
    return abs(other.offset_seconds - one.offset_seconds) > explained


def _interpolated(stamped: datetime, one: ClockReading, other: ClockReading) -> _Offset:
    precision = max(one.precision_seconds, other.precision_seconds)
    between = (other.device_at - one.device_at).total_seconds()
    share = (stamped - one.device_at).total_seconds() / between if between else 1.0
    seconds = one.offset_seconds + (other.offset_seconds - one.offset_seconds) * share
    # Rounding to what a datetime holds, so that the offset and the moment say the same.
    return _Offset(round(seconds, 6), precision)


def _extrapolated(stamped: datetime, nearest: ClockReading) -> _Offset:
    distance = abs((stamped - nearest.device_at).total_seconds())
    return _Offset(
        nearest.offset_seconds,
        nearest.precision_seconds + USUAL_DRIFT * distance,
        (TimelineFinding.CLOCK_OFFSET_EXTRAPOLATED,),
    )


def _across_a_setting(stamped: datetime, one: ClockReading, other: ClockReading) -> _Offset:
    nearest = min((one, other), key=lambda reading: abs(stamped - reading.device_at))
    jump = abs(other.offset_seconds - one.offset_seconds)
    return _Offset(
        nearest.offset_seconds,
        max(one.precision_seconds, other.precision_seconds) + jump,
        (TimelineFinding.CLOCK_WAS_SET,),
    )
