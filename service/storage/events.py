"""Events in all their versions."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import bindparam, insert, select, update

from service.exact_json import read_json, write_json
from service.records.events import RecordedEvent
from service.records.instants import stamp
from service.storage.schema import events
from service.storage.statements import Row, Statement, Transaction

_COLUMNS = (
    events.c.case_id,
    events.c.event_id,
    events.c.kind,
    events.c.version,
    events.c.retracted,
    events.c.content,
    events.c.received_at,
)
_IDENTITY = Statement(
    select(events.c.version, events.c.content_hash, events.c.retracted, events.c.answer).where(
        events.c.case_id == bindparam("case_id"),
        events.c.event_id == bindparam("event_id"),
        events.c.current == 1,
    )
)
_FIRST_ANSWER = Statement(
    select(events.c.content_hash, events.c.answer)
    .where(events.c.case_id == bindparam("case_id"), events.c.event_id == bindparam("event_id"))
    .order_by(events.c.version)
    .limit(1)
)
_ONE = Statement(
    select(*_COLUMNS).where(
        events.c.case_id == bindparam("case_id"),
        events.c.event_id == bindparam("event_id"),
        events.c.current == 1,
    )
)
_OF_CASE = Statement(
    select(*_COLUMNS)
    .where(events.c.case_id == bindparam("case_id"), events.c.current == 1)
    .order_by(events.c.received_at, events.c.event_id)
)
_OF_KIND = Statement(
    select(*_COLUMNS)
    .where(events.c.case_id == bindparam("case_id"), events.c.current == 1, events.c.kind == bindparam("kind"))
    .order_by(events.c.received_at, events.c.event_id)
)
_OF_CLOCK = Statement(
    select(*_COLUMNS)
    .where(events.c.clock == bindparam("clock"), events.c.current == 1)
    .order_by(events.c.case_id, events.c.event_id)
)
_RETIRE = Statement(
    update(events)
    .where(
        events.c.case_id == bindparam("of_case"),
        events.c.event_id == bindparam("of_event"),
        events.c.current == 1,
    )
    .values(current=0)
)
_INSERT = Statement(insert(events))


@dataclass(frozen=True, slots=True)
class EventIdentity:
    """What decides whether an id is free, taken by the same content, or taken by other content."""

    version: int
    content_hash: str
    retracted: bool
    answer: bytes


def _event(row: Row) -> RecordedEvent:
    case_id, event_id, kind, version, retracted, content, received_at = row
    return RecordedEvent(
        case_id=case_id,
        id=event_id,
        kind=kind,
        version=version,
        retracted=bool(retracted),
        content=read_json(content),
        received_at=datetime.fromisoformat(received_at),
    )


def event_identity(tx: Transaction, case_id: str, event_id: str) -> EventIdentity | None:
    """Return the current version's identity; None where the id is free."""
    row = tx.one(_IDENTITY, case_id=case_id, event_id=event_id)
    return EventIdentity(row[0], row[1], bool(row[2]), row[3]) if row else None


def first_answer(tx: Transaction, case_id: str, event_id: str) -> tuple[str, bytes] | None:
    """Return the content hash and the answer of the first version."""
    row = tx.one(_FIRST_ANSWER, case_id=case_id, event_id=event_id)
    return (row[0], row[1]) if row else None


def find_event(tx: Transaction, case_id: str, event_id: str) -> RecordedEvent | None:
    """Return the current version of an event."""
    row = tx.one(_ONE, case_id=case_id, event_id=event_id)
    return _event(row) if row else None


def events_of_case(tx: Transaction, case_id: str, kinds: Collection[str] | None = None) -> list[RecordedEvent]:
    """Return the current versions of a case's events, of `kinds` only where that is given."""
    rows = tx.run(_OF_CASE, case_id=case_id)
    return [_event(row) for row in rows if kinds is None or row[2] in kinds]


def events_of_kind(tx: Transaction, case_id: str, kind: str) -> list[RecordedEvent]:
    """Return the current versions of a case's events of one kind."""
    return [_event(row) for row in tx.run(_OF_KIND, case_id=case_id, kind=kind)]


def events_of_clock(tx: Transaction, clock: str) -> list[RecordedEvent]:
    """Return the current versions of all events, of any case, that a clock has timed."""
    return [_event(row) for row in tx.run(_OF_CLOCK, clock=clock)]


def keep_event(
    tx: Transaction, event: RecordedEvent, content_hash: str, answer: dict[str, Any], actor: str
) -> None:
    """Keep a version of an event, which becomes the current one; the older versions stay."""
    if event.version > 1:
        tx.run(_RETIRE, of_case=event.case_id, of_event=event.id)
    tx.run(
        _INSERT,
        case_id=event.case_id,
        event_id=event.id,
        version=event.version,
        current=1,
        retracted=int(event.retracted),
        kind=event.kind,
        clock=event.clock,
        content=write_json(event.content),
        content_hash=content_hash,
        answer=write_json(answer),
        actor=actor,
        received_at=stamp(event.received_at),
    )
