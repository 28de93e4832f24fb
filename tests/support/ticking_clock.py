"""A clock for tests: it starts at a fixed moment off UTC's round hours and moves on by itself."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta


class TickingClock:
    """Returns a moment one second later at each call, beginning at 2031-03-02T09:17:43 UTC."""

    def __init__(self) -> None:
        self._now = datetime(2031, 3, 2, 9, 17, 42, tzinfo=UTC)

    def __call__(self) -> datetime:
        self._now += timedelta(seconds=1)
        return self._now
