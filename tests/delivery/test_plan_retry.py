"""Pauses between attempts grow, differ, and stay within their limits."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.delivery.plan_retry import next_attempt

NOW = datetime(2031, 3, 2, 9, 17, 43, tzinfo=UTC)
ATTEMPTS = st.integers(1, 10_000)
SHARES = st.floats(0, 1)
LIMITS = st.tuples(st.floats(0.001, 3600), st.floats(0, 86_400)).map(lambda pair: (pair[0], pair[0] + pair[1]))
ONE_MICROSECOND = 1e-6


def pause(attempts: int, limits: tuple[float, float], asked: float | None = None, share: float = 0.0) -> float:
    return (next_attempt(NOW, attempts, limits, asked, share) - NOW).total_seconds()


@given(ATTEMPTS, LIMITS, st.none() | st.floats(0, 1e9), SHARES)
def test_a_pause_is_at_least_half_the_first_and_never_beyond_the_longest(
    attempts: int, limits: tuple[float, float], asked: float | None, share: float
) -> None:
    first, longest = limits
    assert first / 2 - ONE_MICROSECOND <= pause(attempts, limits, asked, share) <= longest + ONE_MICROSECOND


@given(ATTEMPTS, LIMITS, SHARES)
def test_pauses_do_not_shrink_from_one_attempt_to_the_next(
    attempts: int, limits: tuple[float, float], share: float
) -> None:
    assert pause(attempts + 1, limits, None, share) >= pause(attempts, limits, None, share)


@pytest.mark.parametrize(("attempts", "seconds"), [(1, 1), (2, 2), (3, 4), (4, 8), (9, 256), (10, 300), (99, 300)])
def test_a_pause_doubles_up_to_the_longest(attempts: int, seconds: float) -> None:
    assert pause(attempts, (1, 300)) == seconds
    assert pause(attempts, (1, 300), None, 1.0) == seconds / 2


@given(ATTEMPTS, LIMITS, st.floats(0, 1e9), SHARES)
def test_the_wait_that_a_server_asks_for_is_kept_up_to_the_longest(
    attempts: int, limits: tuple[float, float], asked: float, share: float
) -> None:
    assert pause(attempts, limits, asked, share) >= min(asked, limits[1]) - ONE_MICROSECOND
    assert pause(attempts, limits, asked, share) >= pause(attempts, limits, None, share) - ONE_MICROSECOND
