"""The store: what waits together is committed together, a unit fails alone, and a reader sees a snapshot."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path

import pytest

from service.audit.append_entry import Action, Happening, append_entry
from service.audit.verify_chain import verify_chain
from service.problems import Unavailable
from service.records.receipts import Receipt
from service.storage.audit_entries import entries_after
from service.storage.statements import Transaction
from service.storage.store import Store
from tests.support.stores import SERVER, rows, store_in
from tests.support.whole_service import NOW

RECEIPT = Receipt("tester", NOW)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    opened = Store(store_in(tmp_path))
    opened.open()
    yield opened
    opened.close()


def _note(tx: Transaction, subject: str) -> int:
    return append_entry(tx, RECEIPT, Happening(Action.RETRY, subject, "queued")).number


def _noting(subject: str) -> Callable[[Transaction], int]:
    return lambda tx: _note(tx, subject)


def _shown(tx: Transaction, sql: str) -> object:
    return tx._cursor.execute(sql).fetchone()


def _subjects(store: Store) -> list[str]:
    return [entry.subject for entry in store.read_now(lambda tx: entries_after(tx, 0, 1000))]


def _hold_writer(store: Store, pool: ThreadPoolExecutor) -> threading.Event:
    """Keep the writer busy until the event is set, so that what is submitted meanwhile waits together."""
    going, busy = threading.Event(), threading.Event()

    def wait(_tx: Transaction) -> None:
        busy.set()
        assert going.wait(10)

    pool.submit(store.write_now, wait)
    assert busy.wait(10)
    return going


def test_units_that_wait_together_share_one_commit(store: Store) -> None:
    commits: list[None] = []
    with ThreadPoolExecutor(21) as pool:
        going = _hold_writer(store, pool)
        store.call_after_commit(lambda: commits.append(None))
        waiting = [pool.submit(store.write_now, _noting(f"s-{n}")) for n in range(20)]
        while store._writer.waiting_count < 20:
            pass
        going.set()
        assert sorted(future.result() for future in waiting) == list(range(1, 21))
    assert len(commits) == 2, "one commit for the unit that held the writer, one for the twenty"


def test_a_unit_that_fails_is_undone_alone_and_the_others_are_kept(store: Store) -> None:
    def failing(tx: Transaction) -> None:
        _note(tx, "bad")
        raise LookupError("this one fails")

    with ThreadPoolExecutor(8) as pool:
        going = _hold_writer(store, pool)
        good = [pool.submit(store.write_now, _noting(f"good-{n}")) for n in range(3)]
        bad = pool.submit(store.write_now, failing)
        good += [pool.submit(store.write_now, _noting(f"good-{n}")) for n in range(3, 6)]
        while store._writer.waiting_count < 7:
            pass
        going.set()
        with pytest.raises(LookupError, match="this one fails"):
            bad.result()
        for future in good:
            future.result()
    assert sorted(_subjects(store)) == [f"good-{n}" for n in range(6)]
    assert store.read_now(verify_chain).faults == ()


def test_a_unit_that_breaks_the_database_is_refused_as_unavailable_and_the_writer_lives_on(store: Store) -> None:
    def breaking(tx: Transaction) -> None:
        tx._cursor.execute("INSERT INTO nowhere VALUES (1)")

    with pytest.raises(Unavailable):
        store.write_now(breaking)
    assert store.write_now(lambda tx: _note(tx, "after")) == 1


def test_a_reader_sees_the_store_as_it_was_when_it_began(store: Store) -> None:
    store.write_now(lambda tx: _note(tx, "before"))

    def read_twice(tx: Transaction) -> tuple[int, int]:
        first = len(entries_after(tx, 0, 10))
        with ThreadPoolExecutor(1) as pool:
            pool.submit(store.write_now, lambda own: _note(own, "meanwhile")).result()
        return first, len(entries_after(tx, 0, 10))

    assert store.read_now(read_twice) == (1, 1)
    assert _subjects(store) == ["before", "meanwhile"]


def test_a_reader_cannot_write(store: Store) -> None:
    with pytest.raises(Unavailable):
        store.read_now(lambda tx: _note(tx, "smuggled"))
    assert _subjects(store) == []


def test_what_was_answered_is_on_the_disk(store: Store, tmp_path: Path) -> None:
    store.write_now(lambda tx: _note(tx, "kept"))
    assert rows(store_in(tmp_path), "SELECT subject FROM audit_entries") == [("kept",)]
    settings = (
        {"PRAGMA journal_mode": "wal", "PRAGMA synchronous": 2}
        if SERVER is None
        else {"SHOW synchronous_commit": "on", "SHOW default_transaction_isolation": "read committed"}
    )
    for sql, wanted in settings.items():
        assert store.write_now(partial(_shown, sql=sql)) == (wanted,)


def test_a_store_that_closes_commits_what_waits_and_takes_no_more(tmp_path: Path) -> None:
    store = Store(store_in(tmp_path))
    store.open()

    async def write_many() -> None:
        await asyncio.gather(*(store.write(_noting(f"s-{n}")) for n in range(50)))

    asyncio.run(write_many())
    store.close()
    store.close()
    with pytest.raises(Unavailable):
        store.write_now(lambda tx: _note(tx, "late"))
    assert rows(store_in(tmp_path), "SELECT count(*) FROM audit_entries") == [(50,)]


def test_a_folder_that_is_not_there_and_a_file_that_is_no_store_say_so(tmp_path: Path) -> None:
    with pytest.raises(Unavailable, match="store_unavailable"):
        Store(tmp_path / "none" / "store.sqlite").open()
    file = tmp_path / "text.sqlite"
    file.write_text("This is not a database. " * 100, encoding="utf-8")
    with pytest.raises(Unavailable, match="store_unavailable"):
        Store(file).open()
