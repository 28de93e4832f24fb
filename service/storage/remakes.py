"""What is still to be made again: events of a case whose time or whose case has changed, in units that can stop."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from sqlalchemy import bindparam, delete, insert, select, update

from service.storage.schema import remakes
from service.storage.statements import Statement, Transaction


@dataclass(frozen=True, slots=True)
class Remake:
    """Events of a case that are to be made again: those with raw times after `after` and up to `until`.

    Those of one clock where `clock` is given. `actor` caused it. `number` is 0 until it is kept.
    """

    case_id: str
    clock: str | None
    after: str
    until: str
    actor: str
    number: int = 0


_COLUMNS = (
    remakes.c.case_id,
    remakes.c.clock,
    remakes.c.after,
    remakes.c.until,
    remakes.c.actor,
    remakes.c.remake_id,
)
_INSERT = Statement(insert(remakes), columns=["case_id", "clock", "after", "until", "actor"])
_NEXT = Statement(select(*_COLUMNS).order_by(remakes.c.remake_id).limit(1))
_FORGET = Statement(delete(remakes).where(remakes.c.case_id == bindparam("case_id"), remakes.c.clock.is_(None)))
_GO_ON = Statement(
    update(remakes).where(remakes.c.remake_id == bindparam("number")).values(after=bindparam("new_after"))
)
_END = Statement(delete(remakes).where(remakes.c.remake_id == bindparam("number")))


def keep_remakes(tx: Transaction, wanted: Iterable[Remake]) -> None:
    """Keep what is to be made again."""
    for one in wanted:
        tx.run(_INSERT, case_id=one.case_id, clock=one.clock, after=one.after, until=one.until, actor=one.actor)


def next_remake(tx: Transaction) -> Remake | None:
    """Return what is to be made again first; None where nothing is."""
    row = tx.one(_NEXT)
    return Remake(*row) if row else None


def forget_whole_case(tx: Transaction, case_id: str) -> None:
    """Forget that a whole case was to be made again, since it is about to be made from a newer version."""
    tx.run(_FORGET, case_id=case_id)


def go_on_after(tx: Transaction, remake: Remake, done: str | None) -> None:
    """Keep up to which raw time a remake is done; all of it where that is None."""
    if done is None:
        tx.run(_END, number=remake.number)
    else:
        tx.run(_GO_ON, number=remake.number, new_after=done)
