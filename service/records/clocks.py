"""What is known about device clocks, and the times that follow from it on the reference clock."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from service.records.instants import parse_instant

READING_PRECISION_SECONDS = 1.0
"""How finely both clocks of a comparison were read where nobody said; both show whole seconds."""


@dataclass(frozen=True, slots=True)
class ClockReading:
    """A device's clock read against the reference clock at one moment.

    `origin` is the id of the check or the event in which it was written down.
    """

    clock: str
    device_at: datetime
    reference_at: datetime
    origin: str
    precision_seconds: float = READING_PRECISION_SECONDS

    @property
    def offset_seconds(self) -> float:
        """Return the device's time minus the reference time: positive where the device is fast."""
        return (self.device_at - self.reference_at).total_seconds()


@dataclass(frozen=True, slots=True)
class CorrectedTime:
    """The time of an event on the reference clock.

    `at` stays as the client sent it. `corrected_at` (UTC), `offset_seconds` and `uncertainty_seconds` are None
    where the offset of the clock is not known, which is not the same as an offset of 0. The true moment lies
    within `uncertainty_seconds` on either side of `corrected_at`. `findings` are words of the timeline's list.
    """

    at: str
    corrected_at: datetime | None
    offset_seconds: float | None
    uncertainty_seconds: float | None
    findings: tuple[str, ...]

    @property
    def order_at(self) -> datetime:
        """Return the moment (UTC) by which the event is put in order: the raw time where no other is known."""
        return parse_instant(self.at) if self.corrected_at is None else self.corrected_at
