"""The log is one chain: entries of one transaction follow each other, and what is undone leaves no trace in it."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from pathlib import Path

import psycopg
import pytest

from service.audit.append_entry import FIRST_PREVIOUS_HASH, Action, Happening, append_entry, entry_hash
from service.audit.verify_chain import Seal, verify_chain
from service.records.receipts import Receipt
from service.storage.audit_entries import AuditEntry, entries_after
from service.storage.statements import Transaction
from service.storage.store import Store
from tests.support.stores import change, store_in
from tests.support.whole_service import NOW


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    opened = Store(store_in(tmp_path))
    opened.open()
    yield opened
    opened.close()


def _append(tx: Transaction, subject: str = "case:c-1", body: bytes | None = None) -> AuditEntry:
    return append_entry(tx, Receipt("tester", NOW), Happening(Action.REFUSED, subject, "rejected"), body)


def test_entries_of_one_transaction_and_of_the_next_follow_each_other(store: Store) -> None:
    first, second = store.write_now(lambda tx: [_append(tx), _append(tx)])
    third = store.write_now(_append)
    assert [first.number, second.number, third.number] == [1, 2, 3]
    assert first.previous_hash == FIRST_PREVIOUS_HASH
    assert (second.previous_hash, third.previous_hash) == (first.hash, second.hash)
    assert store.read_now(lambda tx: entries_after(tx, 0, 9)) == [first, second, third]


def test_an_entry_of_a_transaction_that_fails_is_not_in_the_chain(store: Store) -> None:
    def failing(tx: Transaction) -> None:
        _append(tx, "case:lost")
        raise LookupError

    store.write_now(_append)
    with pytest.raises(LookupError):
        store.write_now(failing)
    store.write_now(_append)
    report = store.read_now(verify_chain)
    assert (report.entries, report.faults) == (2, ())


def test_a_second_entry_after_the_same_entry_cannot_be_kept(store: Store, tmp_path: Path) -> None:
    store.write_now(lambda tx: [_append(tx), _append(tx)])
    with pytest.raises((sqlite3.IntegrityError, psycopg.IntegrityError)):
        change(
            store_in(tmp_path),
            "INSERT INTO audit_entries SELECT 3, recorded_at, action, actor, case_id, subject, outcome, detail,"
            " 'other', previous_hash FROM audit_entries WHERE number = 2",
        )


def test_the_hash_covers_every_member(store: Store) -> None:
    entry = store.write_now(_append)
    members = [
        "number",
        "recorded_at",
        "action",
        "actor",
        "case_id",
        "subject",
        "outcome",
        "detail",
        "previous_hash",
    ]
    for name in members:
        values = {one: getattr(entry, one) for one in (*members, "hash")}
        values[name] = 7 if name == "number" else "other"
        assert entry_hash(AuditEntry(**values)) != entry.hash, name


def test_a_refused_body_may_be_empty_and_is_kept_all_the_same(store: Store) -> None:
    store.write_now(lambda tx: _append(tx, body=b""))
    assert store.read_now(verify_chain).faults == ()


def test_an_empty_log_has_a_seal_that_every_later_log_begins_with(store: Store) -> None:
    empty = store.read_now(verify_chain)
    assert (empty.seal, empty.faults) == (Seal(0, FIRST_PREVIOUS_HASH), ())
    store.write_now(_append)
    assert store.read_now(lambda tx: verify_chain(tx, empty.seal)).faults == ()


def test_a_subject_beyond_its_column_is_cut_and_the_hash_holds(store: Store) -> None:
    entry = store.write_now(lambda tx: _append(tx, "x" * 500))
    assert len(entry.subject) == 200
    assert store.read_now(verify_chain).faults == ()
