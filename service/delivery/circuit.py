"""The circuit to the destination: after failures in a row nothing is sent but one probe at a time."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

_FAILURES_TO_OPEN = 5
"""So many answers in a row that say "not now" (429, 502 to 504) count as a server that is down."""


class CircuitState(StrEnum):
    """Whether anything is sent."""

    CLOSED = "closed"
    OPEN = "open"
    HALF_OPEN = "half-open"


@dataclass(slots=True)
class Circuit:
    """Closed while the destination works. Open: nothing is sent. Half open: one lane at a time, as a probe.

    It begins open, since nothing is known yet. `openings` counts since the last success; the pause before the next
    probe grows with it, and is at least `after_seconds` where the server asked for that.
    """

    state: CircuitState = CircuitState.OPEN
    openings: int = 0
    after_seconds: float | None = None
    _failures: int = 0

    def succeed(self) -> None:
        """Note that the destination took something, or refused it for a reason: it works."""
        self.state = CircuitState.CLOSED
        self.openings = 0
        self._failures = 0

    def fail(self, after_seconds: float | None) -> None:
        """Note that it said "not now": a probe opens the circuit again, and so do several failures in a row."""
        self._failures += 1
        if self.state is CircuitState.HALF_OPEN or self._failures >= _FAILURES_TO_OPEN:
            self.open(after_seconds)

    def open(self, after_seconds: float | None = None) -> None:
        """Note that it cannot be reached, or not be used as it is.

        Lanes that fail together open it once.
        """
        if self.state is not CircuitState.OPEN:
            self.openings += 1
        self.state = CircuitState.OPEN
        self.after_seconds = after_seconds
        self._failures = 0

    def stay_open(self) -> None:
        """Note that the destination was asked what it can do and gave no answer that can be used."""
        self.openings += 1
        self.after_seconds = None

    def probe(self) -> None:
        """Have one lane at a time go out."""
        self.state = CircuitState.HALF_OPEN

    def lanes(self, connections: int) -> int:
        """Return how many lanes may be served at a time."""
        return {CircuitState.CLOSED: connections, CircuitState.HALF_OPEN: 1, CircuitState.OPEN: 0}[self.state]
