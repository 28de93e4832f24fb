"""The reference clock and fresh identifiers, handed in wherever they are needed so that a test decides both."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from uuid import uuid4

Clock = Callable[[], datetime]
"""Returns the present moment in UTC on the reference clock."""

MakeId = Callable[[], str]
"""Returns a fresh identifier that nothing else has."""


def system_clock() -> datetime:
    """Return the present moment in UTC by the machine's clock."""
    return datetime.now(UTC)


def random_id() -> str:
    """Return a random UUID as text."""
    return str(uuid4())
