"""What is known about device clocks, and the times that follow from it on the reference clock."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from service.records.instants import format_moment, shift_instant

READING_PRECISION_SECONDS = 1.0
"""How finely both clocks of a comparison were read where nobody said; both show whole seconds."""


@dataclass(frozen=True, slots=True)
class ClockReading:
    """A device's clock read against the reference clock at one moment.

    `record_key` names the check or the event in which it was written down.
    """

    clock: str
    device_at: datetime
    reference_at: datetime
    record_key: str
    precision_seconds: float = READING_PRECISION_SECONDS

    @property
    def offset_seconds(self) -> float:
        """Return the device's time minus the reference time: positive where the device is fast."""
        return (self.device_at - self.reference_at).total_seconds()


@dataclass(frozen=True, slots=True)
class CorrectedTime:
    """The time of an event on the reference clock.

    `at` is as the client sent it and `stamped_at` the same as an instant. `corrected_at`, `offset_seconds` and
    `uncertainty_seconds` are None where the offset of the clock is not known, which is not the same as an offset
    of 0. The instants keep the client's UTC offset. The true moment lies within `uncertainty_seconds` on either
    side of `corrected_at`. `findings` are words of the timeline's list.
    """

    at: str
    stamped_at: datetime
    corrected_at: datetime | None
    offset_seconds: float | None
    uncertainty_seconds: float | None
    findings: tuple[str, ...]

    @property
    def order_at(self) -> datetime:
        """Return the instant by which the event is put in order: the raw time where no other is known."""
        return self.stamped_at if self.corrected_at is None else self.corrected_at

    @property
    def text(self) -> str:
        """Return the time on the reference clock, as text with the client's UTC offset; as sent where unknown."""
        return self.at if self.corrected_at is None or not self.offset_seconds else format_moment(self.corrected_at)

    def on_reference_clock(self, text: str) -> str:
        """Return another time that the same clock gave, moved as far as this one."""
        moved = self.order_at - self.stamped_at
        return shift_instant(text, moved.total_seconds()) if moved else text

    @property
    def doubt(self) -> timedelta:
        """Return the uncertainty; nothing where it is not known."""
        return timedelta(seconds=self.uncertainty_seconds or 0)
