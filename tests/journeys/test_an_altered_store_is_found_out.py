"""Whoever changes or removes a kept row behind the service's back is found out by the verification."""

from __future__ import annotations

import random
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from service.audit.verify_chain import ChainReport, Seal, verify_chain
from service.cli import app
from service.storage.store import Store
from tests.support.stores import ROW, change, copy_of, named_rows, rows
from tests.support.whole_service import settings_in, whole_service

REMARK: dict[str, Any] = {"id": "e-1", "kind": "remark", "at": "2031-03-02T10:00:00+01:00", "text": "Begun."}


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path | str:
    """Return a store with everything in it that the log vouches for; the tests work on copies."""
    settings = settings_in(tmp_path_factory.mktemp("written"))
    with whole_service(settings) as service:
        service.post_device_check()
        service.post_case_example("demo", "c-demo")
        service.open_case("c-1")
        service.take_event("c-1", REMARK)
        service.send("PUT", "/v1/cases/c-1/events/e-1", {**REMARK, "text": "Begun late."}, reason="typing")
        service.send("DELETE", "/v1/cases/c-1/events/e-1", reason="wrong case")
        service.post_event("c-1", {**REMARK, "id": "e-2", "words": "x"})
        service.send_bytes("POST", "/v1/cases/c-1/events", b'{"broken"')
        service.wait_until_delivered()
    return settings.store


@pytest.fixture(scope="module")
def waiting(tmp_path_factory: pytest.TempPathFactory) -> Path | str:
    """Return a store out of which nothing has gone; the tests work on copies."""
    settings = settings_in(tmp_path_factory.mktemp("waiting"), destination="http://127.0.0.1:9/fhir")
    with whole_service(settings) as service:
        service.post_case_example("demo", "c-demo")
    return settings.store


@pytest.fixture
def copy(written: Path | str, tmp_path: Path) -> Path | str:
    return copy_of(written, tmp_path)


def _verify(file: Path | str, held: Seal | None = None) -> ChainReport:
    store = Store(file)
    store.open()
    try:
        return store.read_now(lambda tx: verify_chain(tx, held))
    finally:
        store.close()


def _change(file: Path | str, sql: str, *values: object) -> None:
    assert change(file, sql, values) >= 1, "nothing was changed"


def test_an_untouched_store_has_no_fault(copy: Path | str) -> None:
    report = _verify(copy)
    assert report.faults == ()
    assert report.entries > 40
    assert report.seal.number == report.entries


ENTRY_COLUMNS = (
    "recorded_at",
    "action",
    "actor",
    "case_id",
    "subject",
    "outcome",
    "detail",
    "hash",
    "previous_hash",
)


def _chance(seed: str | int) -> random.Random:
    return random.Random(seed)  # noqa: S311 - it chooses rows, and keeps no secret.


def _one_byte_changed(value: str | bytes | None, chance: random.Random) -> str | bytes:
    if value is None:
        return "c"
    place = chance.randrange(len(value))
    if isinstance(value, bytes):
        changed = value[place] ^ (1 << chance.randrange(8))
        return value[:place] + bytes([changed]) + value[place + 1 :]
    return value[:place] + chr(ord(value[place]) ^ 1) + value[place + 1 :]


@pytest.mark.parametrize("column", ENTRY_COLUMNS)
@pytest.mark.parametrize("seed", range(3))
def test_a_changed_byte_of_an_entry_is_found(copy: Path | str, column: str, seed: int) -> None:
    chance = _chance(f"{column} {seed}")
    number = chance.randrange(1, _verify(copy).entries + 1)
    select = f"SELECT {column} FROM audit_entries WHERE number = ?"  # noqa: S608
    ((value,),) = rows(copy, select, (number,))
    changed = _one_byte_changed(value, chance)
    _change(copy, f"UPDATE audit_entries SET {column} = ? WHERE number = ?", changed, number)  # noqa: S608
    assert any(str(number) in fault for fault in _verify(copy).faults), f"{column} of entry {number}"


@pytest.mark.parametrize("seed", range(12))
def test_a_changed_byte_of_a_refused_body_is_found(copy: Path | str, seed: int) -> None:
    chance = _chance(seed)
    number, body = chance.choice(rows(copy, "SELECT number, body FROM refused_bodies ORDER BY number"))
    _change(copy, "UPDATE refused_bodies SET body = ? WHERE number = ?", _one_byte_changed(body, chance), number)
    assert f"the body that entry {number} refused was changed" in _verify(copy).faults


RECORDS = ("events", "cases", "checks", "devices")


@pytest.mark.parametrize("table", RECORDS)
@pytest.mark.parametrize("seed", range(6))
def test_a_changed_byte_of_the_content_of_a_record_is_found(copy: Path | str, table: str, seed: int) -> None:
    chance = _chance(f"{table} {seed}")
    number, row = chance.choice(named_rows(copy, table))
    changed = _one_byte_changed(row["content"], chance)
    _change(copy, f"UPDATE {table} SET content = ? WHERE {ROW} = ?", changed, number)  # noqa: S608
    assert _verify(copy).faults != ()


EVENT_COLUMNS: dict[str, object] = {
    "version": 9,
    "current": 7,
    "retracted": 7,
    "kind": "alarm_raised",
    "clock": "D-9",
    "content_hash": "0" * 64,
    "actor": "somebody",
    "received_at": "2031-03-02T20:50:18.250000Z",
    "case_id": "c-9",
    "event_id": "e-99",
}


@pytest.mark.parametrize("column", EVENT_COLUMNS)
def test_a_changed_column_of_an_event_is_found(copy: Path | str, column: str) -> None:
    _change(
        copy,
        f"UPDATE events SET {column} = ? WHERE case_id = 'c-demo' AND event_id = 'e-06'",  # noqa: S608
        EVENT_COLUMNS[column],
    )
    assert _verify(copy).faults != ()


def test_a_digit_that_changes_the_precision_and_not_the_value_is_found(copy: Path | str) -> None:
    where = "WHERE case_id = 'c-demo' AND event_id = 'e-06'"
    ((content,),) = rows(copy, f"SELECT content FROM events {where}")  # noqa: S608
    assert b"187.5" in content
    _change(copy, f"UPDATE events SET content = ? {where}", content.replace(b"187.5", b"187.50"))  # noqa: S608
    assert _verify(copy).faults != ()


@pytest.mark.parametrize("table", ["audit_entries", "refused_bodies", *RECORDS])
@pytest.mark.parametrize("seed", range(3))
def test_a_removed_row_is_found(copy: Path | str, table: str, seed: int) -> None:
    seal = _verify(copy).seal
    number, _ = _chance(f"{table} {seed}").choice(named_rows(copy, table))
    _change(copy, f"DELETE FROM {table} WHERE {ROW} = ?", number)  # noqa: S608
    assert _verify(copy, seal).faults != ()


def test_an_event_that_no_entry_tells_of_is_found(copy: Path | str) -> None:
    _change(
        copy,
        "INSERT INTO events (case_id, event_id, version, current, retracted, kind, clock, content, content_hash,"
        " answer, actor, received_at) SELECT case_id, 'e-77', version, current, retracted, kind, clock, content,"
        " content_hash, answer, actor, received_at FROM events WHERE case_id = 'c-1' AND version = 1",
    )
    assert _verify(copy).faults != ()


@pytest.mark.parametrize("table", ["resources", "batches"])
def test_what_is_sent_to_the_chart_cannot_be_altered_unseen(copy: Path | str, table: str) -> None:
    number, row = named_rows(copy, table)[-1]
    changed = row["body"].replace(b"2031", b"2032", 1)
    assert changed != row["body"]
    _change(copy, f"UPDATE {table} SET body = ? WHERE {ROW} = ?", changed, number)  # noqa: S608
    assert _verify(copy).faults != ()


@pytest.mark.parametrize("state", ["waiting", "held", "discarded", "left-out"])
def test_what_has_arrived_cannot_be_called_anything_else_unseen(copy: Path | str, state: str) -> None:
    _change(copy, "UPDATE deliveries SET state = ? WHERE delivery_id = 3", state)
    (fault,) = _verify(copy).faults
    assert fault.startswith(f"the delivery 3 counts as {state}; entry ")
    assert fault.endswith(" says that it was delivered")


@pytest.mark.parametrize("state", ["delivered", "discarded", "left-out"])
def test_what_has_not_arrived_cannot_be_taken_out_of_the_outbox_unseen(
    waiting: Path | str, tmp_path: Path, state: str
) -> None:
    copied = copy_of(waiting, tmp_path)
    assert _verify(copied).faults == ()
    _change(copied, "UPDATE deliveries SET state = ? WHERE delivery_id = 2", state)
    assert _verify(copied).faults == (f"the delivery 2 counts as {state} without a matching entry",)


def test_a_delivery_that_no_entry_tells_of_is_found(waiting: Path | str, tmp_path: Path) -> None:
    copied = copy_of(waiting, tmp_path)
    columns = "lane, case_id, device_id, record, state, attempts, next_attempt_at, alone, entries, size, created_at"
    columns += ", conflicts, read_twice, answered_errors"
    _change(
        copied,
        f"INSERT INTO deliveries (delivery_id, {columns})"  # noqa: S608 - names of ours alone.
        f" SELECT 777, {columns} FROM deliveries WHERE delivery_id = 1",
    )
    (fault,) = _verify(copied).faults
    assert "is in the outbox without a matching entry" in fault


def test_a_log_whose_end_was_cut_off_is_found_by_whoever_holds_a_seal(copy: Path | str) -> None:
    seal = _verify(copy).seal
    _change(copy, "DELETE FROM audit_entries WHERE number > ?", seal.number - 3)
    assert any("ends before" in fault for fault in _verify(copy, seal).faults)


def test_a_log_written_anew_is_found_by_whoever_holds_a_seal(copy: Path | str) -> None:
    seal = _verify(copy).seal
    assert _verify(copy, Seal(seal.number, "f" * 64)).faults != ()
    assert _verify(copy, seal).faults == ()


def test_the_command_says_so_and_fails(copy: Path | str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("RESUS_STORE", str(copy))
    good = CliRunner().invoke(app, ["audit", "verify"])
    assert good.exit_code == 0
    assert "as written" in good.output
    _change(copy, "UPDATE audit_entries SET actor = 'somebody' WHERE number = 5")
    bad = CliRunner().invoke(app, ["audit", "verify"])
    assert bad.exit_code == 1
    assert "entry 5 was changed" in bad.output
