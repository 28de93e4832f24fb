"""An event as it is kept: what the stages after intake read."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any


@dataclass(frozen=True, slots=True)
class RecordedEvent:
    """One event of a case in its current version.

    `content` holds the client's fields as `exact_json` read them, nulls left out; `received_at` is in UTC.
    """

    case_id: str
    id: str
    kind: str
    version: int
    retracted: bool
    content: Mapping[str, Any]
    received_at: datetime

    @property
    def at(self) -> str:
        """Return when it happened, as the clock that timed it showed and the client wrote it."""
        return str(self.content["at"])

    @property
    def clock(self) -> str | None:
        """Return which device's clock gave `at`; None for the reference clock."""
        return self.content.get("clock")

    @property
    def precision_seconds(self) -> float:
        """Return how finely `at` was read; 1 by default."""
        return float(self.content.get("precision_seconds", 1))
