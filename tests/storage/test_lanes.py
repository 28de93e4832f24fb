"""Lanes are leased to one worker at a time, the active ones first, and nothing that is added meanwhile is lost."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from functools import partial
from pathlib import Path

import pytest

from service.problems import Unavailable
from service.storage.deliveries import NewDelivery, count_by_state, enqueue, next_delivery_id
from service.storage.lanes import (
    Lease,
    LeaseLostError,
    Moments,
    add_to_lane,
    claim_lanes,
    claim_task,
    end_all_leases,
    give_back_lane,
    hasten_lanes_before,
    let_go_lane,
    renew_lease,
)
from service.storage.statements import Transaction
from service.storage.store import Store
from tests.support.stores import rows, store_in

OLD, NOW, LATER, MUCH_LATER = (f"2031-03-02T{hour:02}:00:00.000000Z" for hour in (8, 10, 12, 14))
MOMENTS = Moments(NOW, NOW, MUCH_LATER)
MINE = Lease("worker a", timedelta(minutes=1))
THEIRS = Lease("worker b", timedelta(minutes=1))
ENDED = Lease("worker c", timedelta(minutes=-1))
"""A lease that is over as soon as it begins, as that of a worker which was killed long ago."""


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    opened = Store(store_in(tmp_path))
    opened.open()
    yield opened
    opened.close()


def _add(store: Store, lane: str, delivery_id: int, at: str = OLD) -> None:
    store.write_now(lambda tx: add_to_lane(tx, lane, delivery_id, at))


def _claim(store: Store, lease: Lease, most: int = 8, now: str = NOW) -> list[str]:
    return store.write_now(lambda tx: claim_lanes(tx, lease, Moments(now, NOW, MUCH_LATER), most))


def test_a_lane_is_leased_to_one_worker_at_a_time(store: Store) -> None:
    _add(store, "case:c-1", 1)
    _add(store, "case:c-2", 2)
    assert _claim(store, MINE, 1) == ["case:c-1"]
    assert _claim(store, THEIRS) == ["case:c-2"]
    assert _claim(store, MINE) == []


def test_lanes_that_something_was_just_added_to_come_first_then_the_oldest(store: Store) -> None:
    for number in range(1, 7):
        _add(store, f"case:c-{number}", number)
    _add(store, "case:c-5", 7, at=NOW)
    assert _claim(store, MINE, 3) == ["case:c-5", "case:c-1", "case:c-2"]


def _enqueue(store: Store, lane: str, at: str, *waits_for: int) -> int:
    def unit(tx: Transaction) -> int:
        number = next_delivery_id(tx)
        enqueue(
            tx, [NewDelivery(number, lane, None, None, "x", [("Patient", "p")], [b"{}"], frozenset(waits_for))], at
        )
        return number

    return store.write_now(unit)


def test_what_an_active_lane_waits_for_comes_before_the_backlog(store: Store) -> None:
    backlog = _enqueue(store, "case:c-0", OLD)
    _enqueue(store, "case:c-1", OLD)
    device = _enqueue(store, "device:D-1", OLD)
    patient = _enqueue(store, "case:c-2", OLD, device)
    _enqueue(store, "case:c-3", OLD, backlog)
    _enqueue(store, "case:c-4", NOW, patient)
    assert _claim(store, MINE, 1) == ["case:c-4"]
    # The lane at hand can do nothing, nor can the one that it waits for: the chain leads to the first of them.
    store.write_now(lambda tx: hasten_lanes_before(tx, "case:c-4"))
    assert _claim(store, MINE, 1) == ["case:c-2"]
    store.write_now(lambda tx: hasten_lanes_before(tx, "case:c-2"))
    assert _claim(store, MINE, 8) == ["device:D-1", "case:c-0", "case:c-1", "case:c-3"]


def test_a_lane_of_the_backlog_hastens_nothing(store: Store) -> None:
    patient = _enqueue(store, "case:c-1", NOW)
    _enqueue(store, "case:c-2", OLD, patient)
    store.write_now(lambda tx: hasten_lanes_before(tx, "case:c-2"))
    assert _claim(store, MINE, 1) == ["case:c-1"]


def test_a_lease_that_has_ended_is_free_for_the_next_and_the_first_worker_can_keep_nothing(
    store: Store,
) -> None:
    _add(store, "case:c-1", 1)
    assert _claim(store, ENDED) == ["case:c-1"]
    assert _claim(store, MINE) == ["case:c-1"]
    with pytest.raises(LeaseLostError):
        store.write_now(partial(renew_lease, lane="case:c-1", lease=ENDED))
    store.write_now(partial(renew_lease, lane="case:c-1", lease=MINE))
    store.write_now(lambda tx: let_go_lane(tx, "case:c-1", ENDED))
    store.write_now(lambda tx: renew_lease(tx, "case:c-1", MINE))


def test_a_renewed_lease_lasts_longer(store: Store) -> None:
    _add(store, "case:c-1", 1)
    assert _claim(store, Lease(MINE.holder, timedelta(minutes=-1))) == ["case:c-1"]
    store.write_now(lambda tx: renew_lease(tx, "case:c-1", MINE))
    assert _claim(store, THEIRS) == []


def test_a_lane_in_which_nothing_waits_is_looked_at_once_something_is_added(store: Store) -> None:
    _add(store, "case:c-1", 1)
    _claim(store, MINE)
    seen = store.write_now(lambda tx: renew_lease(tx, "case:c-1", MINE))
    store.write_now(lambda tx: give_back_lane(tx, "case:c-1", MINE, seen, None))
    assert _claim(store, MINE, now=LATER) == []
    _add(store, "case:c-1", 2)
    assert _claim(store, MINE) == ["case:c-1"]


def test_a_lane_that_is_not_due_is_looked_at_when_it_is(store: Store) -> None:
    _add(store, "case:c-1", 1)
    _claim(store, MINE)
    seen = store.write_now(lambda tx: renew_lease(tx, "case:c-1", MINE))
    store.write_now(lambda tx: give_back_lane(tx, "case:c-1", MINE, seen, LATER))
    assert _claim(store, MINE) == []
    assert _claim(store, MINE, now=LATER) == ["case:c-1"]


def test_a_lane_that_a_clock_put_off_which_was_ahead_is_looked_at_now(store: Store) -> None:
    _add(store, "case:c-1", 1, at=MUCH_LATER)
    assert _claim(store, MINE) == []
    _add(store, "case:c-1", 2, at="2031-03-03T10:00:00.000000Z")
    assert _claim(store, MINE) == ["case:c-1"]


def test_what_is_added_while_a_lane_is_looked_at_is_not_overlooked(store: Store) -> None:
    _add(store, "case:c-1", 1)
    _claim(store, MINE)
    seen = store.write_now(lambda tx: renew_lease(tx, "case:c-1", MINE))
    _add(store, "case:c-1", 2)
    store.write_now(lambda tx: give_back_lane(tx, "case:c-1", MINE, seen, None))
    assert _claim(store, THEIRS) == ["case:c-1"]


def test_whoever_is_alone_ends_the_leases_that_a_killed_process_left(store: Store) -> None:
    _add(store, "case:c-1", 1)
    _claim(store, MINE)
    store.write_now(end_all_leases)
    assert _claim(store, THEIRS) == ["case:c-1"]


def test_what_one_worker_does_for_all_is_leased_to_one_and_never_served_as_a_lane(store: Store) -> None:
    assert store.write_now(lambda tx: claim_task(tx, "task:read-back", MINE))
    assert not store.write_now(lambda tx: claim_task(tx, "task:read-back", THEIRS))
    assert _claim(store, THEIRS, now=LATER) == []
    store.write_now(lambda tx: let_go_lane(tx, "task:read-back", MINE))
    assert store.write_now(lambda tx: claim_task(tx, "task:read-back", THEIRS))


@pytest.mark.postgresql
def test_workers_that_claim_at_the_same_moment_pass_over_what_the_other_is_about_to_take(store: Store) -> None:
    for number in range(1, 5):
        _add(store, f"case:c-{number}", number)
    other = Store(store.database.url)  # type: ignore[attr-defined]  # A PostgreSQL database has one.
    other.open()
    try:

        def claim_within(tx: Transaction) -> tuple[list[str], list[str]]:
            own = claim_lanes(tx, MINE, MOMENTS, 2)
            return own, other._claim_now(lambda theirs: claim_lanes(theirs, THEIRS, MOMENTS, 8))

        assert store._claim_now(claim_within) == (["case:c-1", "case:c-2"], ["case:c-3", "case:c-4"])
    finally:
        other.close()


@pytest.mark.postgresql
def test_claims_do_not_wait_for_the_writer(store: Store) -> None:
    _add(store, "case:c-1", 1)
    other = Store(store.database.url)  # type: ignore[attr-defined]  # A PostgreSQL database has one.
    other.open()
    try:
        claimed = store.write_now(lambda _: other._claim_now(lambda tx: claim_lanes(tx, MINE, MOMENTS, 8)))
    finally:
        other.close()
    assert claimed == ["case:c-1"]


@pytest.mark.postgresql
def test_a_session_that_was_ended_is_made_anew_and_no_unit_is_lost(store: Store, tmp_path: Path) -> None:
    _add(store, "case:c-1", 1)
    others = "FROM pg_stat_activity WHERE datname = current_database() AND pid <> pg_backend_pid()"
    rows(store_in(tmp_path), f"SELECT pg_terminate_backend(pid) {others}")
    assert store.read_now(count_by_state)["waiting"] == 0
    _add(store, "case:c-2", 2)
    assert _claim(store, MINE) == ["case:c-1", "case:c-2"]


@pytest.mark.postgresql
def test_a_session_that_ends_within_a_unit_undoes_it_and_says_so(store: Store, tmp_path: Path) -> None:
    attempts: list[None] = []

    def ending(tx: Transaction) -> None:
        attempts.append(None)
        add_to_lane(tx, "case:c-1", 1, OLD)
        tx._cursor.execute("SELECT pg_terminate_backend(pg_backend_pid())")

    with pytest.raises(Unavailable):
        store.write_now(ending)
    assert len(attempts) == 2, "once with others, once alone"
    assert _claim(store, MINE) == []
