"""Who handed something in, and when it was taken."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from service.records.instants import stamp


@dataclass(frozen=True, slots=True)
class Receipt:
    """The actor of one request and the moment at which the service took it, on the reference clock."""

    actor: str
    received_at: datetime

    @property
    def stamp(self) -> str:
        """Return the moment as the store keeps it."""
        return stamp(self.received_at)
