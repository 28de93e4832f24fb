"""Events in all their versions, each with its place on the timeline."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from typing import Any

from sqlalchemy import Select, bindparam, func, insert, literal, select, union_all, update

from service.exact_json import read_json, write_json
from service.records.events import RecordedEvent
from service.records.instants import stamp
from service.storage.schema import events
from service.storage.statements import AmongTexts, Row, Statement, Transaction, text_list

_RECORDED = (
    events.c.case_id,
    events.c.event_id,
    events.c.kind,
    events.c.version,
    events.c.retracted,
    events.c.content,
    events.c.received_at,
    events.c.order_at,
)
_of_case = (events.c.case_id == bindparam("case_id"), events.c.current == 1)
_live = (*_of_case, events.c.retracted == 0)
_IDENTITY = Statement(
    select(events.c.version, events.c.content_hash, events.c.retracted, events.c.answer, *_RECORDED).where(
        *_of_case, events.c.event_id == bindparam("event_id")
    )
)
_FIRST_ANSWERS = Statement(
    select(events.c.event_id, events.c.content_hash, events.c.answer).where(
        events.c.case_id == bindparam("case_id"), AmongTexts(events.c.event_id, "event_ids"), events.c.version == 1
    )
)
_OF_CASE = Statement(select(*_RECORDED).where(*_of_case).order_by(events.c.order_at, events.c.event_id))
_BETWEEN = Statement(
    select(*_RECORDED)
    .where(
        *_live,
        AmongTexts(events.c.kind, "kinds"),
        events.c.order_at >= bindparam("first"),
        events.c.order_at <= bindparam("last"),
    )
    .order_by(events.c.order_at)
)
_DOCUMENTING = Statement(select(*_RECORDED).where(*_of_case, AmongTexts(events.c.documents, "event_ids")))
_TIMED_BY = Statement(
    select(*_RECORDED)
    .where(
        events.c.clock == bindparam("clock"),
        events.c.current == 1,
        events.c.stamped_at > bindparam("after"),
        events.c.stamped_at <= bindparam("until"),
    )
    .order_by(events.c.stamped_at)
    .limit(bindparam("most"))
)
_CASES_TIMED_BY = Statement(
    select(events.c.case_id)
    .distinct()
    .where(
        events.c.clock == bindparam("clock"),
        events.c.current == 1,
        events.c.stamped_at > bindparam("after"),
        events.c.stamped_at <= bindparam("until"),
    )
    .order_by(events.c.case_id)
)
_STAMPED = Statement(
    select(*_RECORDED)
    .where(*_of_case, events.c.stamped_at > bindparam("after"), events.c.stamped_at <= bindparam("until"))
    .order_by(events.c.stamped_at)
    .limit(bindparam("most"))
)
_STAMPED_BY = Statement(
    select(*_RECORDED)
    .where(
        *_of_case,
        events.c.clock == bindparam("clock"),
        events.c.stamped_at > bindparam("after"),
        events.c.stamped_at <= bindparam("until"),
    )
    .order_by(events.c.stamped_at)
    .limit(bindparam("most"))
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
_MOVE = Statement(
    update(events)
    .where(
        events.c.case_id == bindparam("of_case"),
        events.c.event_id == bindparam("of_event"),
        events.c.current == 1,
    )
    .values(order_at=bindparam("new_order"))
)
_INSERT = Statement(insert(events))

EARLIEST, LATEST = "", "~"
"""Before and after every moment as the store spells it."""


@dataclass(frozen=True, slots=True)
class PlacedEvent:
    """An event as it is kept, and the moment (`stamp`) by which it was last put in order."""

    event: RecordedEvent
    order_at: str


@dataclass(frozen=True, slots=True)
class KnownEvent:
    """What decides whether an id is free, taken by the same content, or taken by other content."""

    version: int
    content_hash: str
    retracted: bool
    answer: bytes
    placed: PlacedEvent


@dataclass(frozen=True, slots=True)
class NewEvent:
    """A version of an event that is to be kept, with its place on the timeline and the answer to its client."""

    event: RecordedEvent
    content_hash: str
    answer: dict[str, Any]
    actor: str
    stamped_at: datetime
    order_at: datetime


def _placed(row: Row) -> PlacedEvent:
    case_id, event_id, kind, version, retracted, content, received_at, order_at = row
    event = RecordedEvent(
        case_id, event_id, kind, version, bool(retracted), read_json(content), datetime.fromisoformat(received_at)
    )
    return PlacedEvent(event, order_at)


def find_event(tx: Transaction, case_id: str, event_id: str) -> KnownEvent | None:
    """Return the current version of an event; None where the id is free."""
    row = tx.one(_IDENTITY, case_id=case_id, event_id=event_id)
    return KnownEvent(row[0], row[1], bool(row[2]), row[3], _placed(row[4:])) if row else None


def first_answers(tx: Transaction, case_id: str, event_ids: Iterable[str]) -> dict[str, tuple[str, bytes]]:
    """Return the content hash and the answer of the first version of each event that is known, by its id."""
    rows = tx.run(_FIRST_ANSWERS, case_id=case_id, event_ids=text_list(event_ids))
    return {row[0]: (row[1], row[2]) for row in rows}


def events_of_case(tx: Transaction, case_id: str) -> list[RecordedEvent]:
    """Return the current versions of all events of a case."""
    return [_placed(row).event for row in tx.run(_OF_CASE, case_id=case_id)]


def events_between(
    tx: Transaction, case_id: str, kinds: Collection[str], first: str = EARLIEST, last: str = LATEST
) -> list[RecordedEvent]:
    """Return the events of some kinds from one moment to another, both included; none that was entered in error."""
    rows = tx.run(_BETWEEN, case_id=case_id, kinds=text_list(kinds), first=first, last=last)
    return [_placed(row).event for row in rows]


@lru_cache(maxsize=256)
def _nearest(kinds: frozenset[str], *, is_last: bool) -> Statement:
    """Return the statement for the moment nearest to another; one look at the index for each kind."""

    def of_kind(kind: str) -> Select[tuple[str]]:
        at = events.c.order_at
        return (
            select(at.label("at"))
            .where(*_live, events.c.kind == literal(kind), at > bindparam("after"), at < bindparam("before"))
            .order_by(at.desc() if is_last else at)
            .limit(1)
        )

    each = union_all(*(select(of_kind(kind).subquery().c.at) for kind in sorted(kinds))).subquery()
    return Statement(select(func.max(each.c.at) if is_last else func.min(each.c.at)))


def nearest_moment(
    tx: Transaction,
    case_id: str,
    kinds: frozenset[str],
    *,
    after: str = EARLIEST,
    before: str = LATEST,
    is_last: bool,
) -> str | None:
    """Return the last or the first moment between two others at which there is an event of some kinds.

    None where there is none. Events entered in error have no part.
    """
    row = tx.one(_nearest(kinds, is_last=is_last), case_id=case_id, after=after, before=before)
    return row[0] if row else None


def documenting_events(tx: Transaction, case_id: str, event_ids: Iterable[str]) -> list[PlacedEvent]:
    """Return the events that document one of the others."""
    return [_placed(row) for row in tx.run(_DOCUMENTING, case_id=case_id, event_ids=text_list(event_ids))]


def events_timed_by(tx: Transaction, clock: str, after: str, until: str, most: int) -> list[PlacedEvent]:
    """Return up to `most` events of any case to which a clock gave times after one and up to another."""
    return [_placed(row) for row in tx.run(_TIMED_BY, clock=clock, after=after, until=until, most=most)]


def cases_timed_by(tx: Transaction, clock: str, after: str, until: str) -> list[str]:
    """Return the cases of the events to which a clock gave times after one and up to another."""
    return [row[0] for row in tx.run(_CASES_TIMED_BY, clock=clock, after=after, until=until)]


def events_stamped(
    tx: Transaction, case_id: str, clock: str | None, after: str, until: str, most: int
) -> list[PlacedEvent]:
    """Return up to `most` events of a case with raw times after one and up to another, oldest first.

    Those of one clock alone where that is given.
    """
    asked = {"case_id": case_id, "after": after, "until": until, "most": most}
    rows = tx.run(_STAMPED, **asked) if clock is None else tx.run(_STAMPED_BY, **asked, clock=clock)
    return [_placed(row) for row in rows]


def keep_events(tx: Transaction, kept: Sequence[NewEvent]) -> None:
    """Keep versions of events, which become the current ones; the older versions stay."""
    for new in kept:
        if new.event.version > 1:
            tx.run(_RETIRE, of_case=new.event.case_id, of_event=new.event.id)
    tx.add(
        _INSERT,
        [
            {
                "case_id": new.event.case_id,
                "event_id": new.event.id,
                "version": new.event.version,
                "current": 1,
                "retracted": int(new.event.retracted),
                "kind": new.event.kind,
                "clock": new.event.clock,
                "stamped_at": stamp(new.stamped_at),
                "order_at": stamp(new.order_at),
                "documents": new.event.content.get("documents"),
                "content": write_json(new.event.content),
                "content_hash": new.content_hash,
                "answer": write_json(new.answer),
                "actor": new.actor,
                "received_at": stamp(new.event.received_at),
            }
            for new in kept
        ],
    )


def move_events(tx: Transaction, case_id: str, moved: Iterable[tuple[str, datetime]]) -> None:
    """Keep new moments by which events are put in order."""
    tx.run_many(
        _MOVE, [{"of_case": case_id, "of_event": event_id, "new_order": stamp(at)} for event_id, at in moved]
    )
