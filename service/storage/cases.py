"""Cases in all their versions."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import bindparam, func, insert, select, update

from service.exact_json import read_json, write_json
from service.records.instants import stamp
from service.records.receipts import Receipt
from service.storage.deliveries import STATES
from service.storage.schema import cases, deliveries, events
from service.storage.statements import Row, Statement, Transaction


@dataclass(frozen=True, slots=True)
class StoredCase:
    """The current version of a case."""

    case_id: str
    version: int
    content: dict[str, Any]
    content_hash: str
    opened_at: datetime


_VERSION = Statement(
    select(cases.c.version, cases.c.content_hash).where(
        cases.c.case_id == bindparam("case_id"), cases.c.current == 1
    )
)
_CURRENT = Statement(
    select(cases.c.case_id, cases.c.version, cases.c.content, cases.c.content_hash, cases.c.opened_at).where(
        cases.c.case_id == bindparam("case_id"), cases.c.current == 1
    )
)
_PAGE = Statement(
    select(cases.c.case_id, cases.c.version, cases.c.content, cases.c.content_hash, cases.c.opened_at)
    .where(cases.c.current == 1, cases.c.case_id > bindparam("after"))
    .order_by(cases.c.case_id)
    .limit(bindparam("most"))
)
_RETIRE = Statement(update(cases).where(cases.c.case_id == bindparam("of"), cases.c.current == 1).values(current=0))
_INSERT = Statement(insert(cases))
_EVENT_COUNT = Statement(
    select(func.count()).select_from(events).where(events.c.case_id == bindparam("case_id"), events.c.current == 1)
)
_DELIVERY_COUNTS = Statement(
    select(deliveries.c.state, func.count())
    .where(deliveries.c.case_id == bindparam("case_id"))
    .group_by(deliveries.c.state)
)


def _case(row: Row) -> StoredCase:
    return StoredCase(row[0], row[1], read_json(row[2]), row[3], datetime.fromisoformat(row[4]))


def case_version(tx: Transaction, case_id: str) -> tuple[int, str] | None:
    """Return number and content hash of the current version; None where there is no such case."""
    row = tx.one(_VERSION, case_id=case_id)
    return (row[0], row[1]) if row else None


def find_case(tx: Transaction, case_id: str) -> StoredCase | None:
    """Return the current version of a case."""
    row = tx.one(_CURRENT, case_id=case_id)
    return _case(row) if row else None


def page_of_cases(tx: Transaction, after: str, most: int) -> list[StoredCase]:
    """Return up to `most` cases in the order of their ids, after the id `after`."""
    return [_case(row) for row in tx.run(_PAGE, after=after, most=most)]


def keep_case(tx: Transaction, case: StoredCase, receipt: Receipt) -> None:
    """Keep a new version, which becomes the current one; the older versions stay."""
    tx.run(_RETIRE, of=case.case_id)
    tx.run(
        _INSERT,
        case_id=case.case_id,
        version=case.version,
        current=1,
        content=write_json(case.content),
        content_hash=case.content_hash,
        actor=receipt.actor,
        received_at=receipt.stamp,
        opened_at=stamp(case.opened_at),
    )


def count_events(tx: Transaction, case_id: str) -> int:
    """Return how many events a case has, those entered in error included."""
    row = tx.one(_EVENT_COUNT, case_id=case_id)
    return int(row[0]) if row else 0


def count_deliveries(tx: Transaction, case_id: str) -> dict[str, int]:
    """Return how many deliveries of a case are in each state."""
    counted: dict[str, int] = dict(tx.run(_DELIVERY_COUNTS, case_id=case_id))
    return {state: counted.get(state, 0) for state in STATES}
