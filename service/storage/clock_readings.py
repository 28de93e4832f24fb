"""The readings of clocks, and for each clock a state that tells whether they have changed."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import bindparam, delete, insert, select, update

from service.exact_json import content_hash
from service.records.clocks import ClockReading
from service.records.instants import stamp
from service.storage.schema import clock_readings, clocks
from service.storage.statements import Row, Statement, Transaction

_COLUMNS = (
    clock_readings.c.clock,
    clock_readings.c.device_at,
    clock_readings.c.reference_at,
    clock_readings.c.origin,
    clock_readings.c.precision_seconds,
)
_of_clock = clock_readings.c.clock == bindparam("clock")
_ALL = Statement(select(*_COLUMNS).where(_of_clock).order_by(clock_readings.c.reference_at))
_BEFORE = Statement(
    select(*_COLUMNS)
    .where(_of_clock, clock_readings.c.reference_at < bindparam("moment"))
    .order_by(clock_readings.c.reference_at.desc())
    .limit(1)
)
_AFTER = Statement(
    select(*_COLUMNS)
    .where(_of_clock, clock_readings.c.reference_at > bindparam("moment"))
    .order_by(clock_readings.c.reference_at)
    .limit(1)
)
_AT = Statement(select(*_COLUMNS).where(_of_clock, clock_readings.c.reference_at == bindparam("moment")))
_OF_RECORD = Statement(select(*_COLUMNS).where(clock_readings.c.origin == bindparam("record")))
_FORGET = Statement(delete(clock_readings).where(_of_clock, clock_readings.c.origin == bindparam("record")))
_INSERT = Statement(insert(clock_readings))
_STATE = Statement(select(clocks.c.state).where(clocks.c.clock == bindparam("clock")))
_INSERT_STATE = Statement(insert(clocks))
_SET_STATE = Statement(update(clocks).where(clocks.c.clock == bindparam("of")).values(state=bindparam("new_state")))


def _reading(row: Row) -> ClockReading:
    return ClockReading(row[0], datetime.fromisoformat(row[1]), datetime.fromisoformat(row[2]), row[3], row[4])


def readings_of_clock(tx: Transaction, clock: str) -> list[ClockReading]:
    """Return the readings of one clock in the order of reference time."""
    return [_reading(row) for row in tx.run(_ALL, clock=clock)]


def newest_reading(tx: Transaction, clock: str) -> ClockReading | None:
    """Return the reading of a clock that was taken last by the reference clock."""
    row = tx.one(_BEFORE, clock=clock, moment="~")
    return _reading(row) if row else None


def readings_around(tx: Transaction, clock: str, reference_at: datetime) -> list[ClockReading]:
    """Return the readings of a clock at a moment of the reference clock, the one before and the one after.

    Where there is none before or none after, the list begins or ends with those at the moment.
    """
    moment = stamp(reference_at)
    rows = [tx.one(_BEFORE, clock=clock, moment=moment), *tx.run(_AT, clock=clock, moment=moment),
            tx.one(_AFTER, clock=clock, moment=moment)]  # fmt: skip
    return [_reading(row) for row in rows if row is not None]


def reading_of_record(tx: Transaction, record_key: str) -> ClockReading | None:
    """Return the reading that a record gave; None where it gave none."""
    row = tx.one(_OF_RECORD, record=record_key)
    return _reading(row) if row else None


def state_of_clock(tx: Transaction, clock: str) -> str | None:
    """Return a text for a clock, None for one never compared; equal texts mean that its readings are the same."""
    row = tx.one(_STATE, clock=clock)
    return row[0] if row else None


def keep_reading(tx: Transaction, reading: ClockReading) -> None:
    """Keep a new reading."""
    row = {
        "clock": reading.clock,
        "origin": reading.record_key,
        "device_at": stamp(reading.device_at),
        "reference_at": stamp(reading.reference_at),
        "precision_seconds": reading.precision_seconds,
    }
    tx.run(_INSERT, **row)
    _change_state(tx, reading.clock, ["kept", row])


def forget_reading(tx: Transaction, reading: ClockReading) -> None:
    """Drop a reading that its record no longer gives; the record itself stays."""
    tx.run(_FORGET, clock=reading.clock, record=reading.record_key)
    _change_state(tx, reading.clock, ["forgotten", reading.record_key])


def _change_state(tx: Transaction, clock: str, change: object) -> None:
    """Derive the new state from the old one and the change, so that it never depends on what was rolled back."""
    old = state_of_clock(tx, clock)
    new = content_hash([old, change])
    if old is None:
        tx.run(_INSERT_STATE, clock=clock, state=new)
    else:
        tx.run(_SET_STATE, of=clock, new_state=new)
