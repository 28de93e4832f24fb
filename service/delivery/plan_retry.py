"""Decides when a delivery is tried again; a pure function, so that the schedule can be kept and proved."""

from __future__ import annotations

from datetime import datetime, timedelta


def next_attempt(
    now: datetime, attempts: int, limits: tuple[float, float], asked_seconds: float | None, random_share: float
) -> datetime:
    """Return when attempt number `attempts` + 1 is due.

    `limits` are the first and the longest pause in seconds. The pause doubles with every attempt up to the
    longest; a random share (0 to 1) of half of it is taken off, so that lanes do not knock all at once. What
    the server asks for (`asked_seconds`) is kept, up to the longest pause.
    """
    first, longest = limits
    pause = min(longest, first * 2 ** min(attempts - 1, 30))
    pause -= pause / 2 * random_share
    if asked_seconds is not None:
        pause = min(max(pause, asked_seconds), longest)
    return now + timedelta(seconds=pause)
