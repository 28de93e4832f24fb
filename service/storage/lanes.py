"""Lanes: what must stay in order, whether something waits in them, and which worker has each for how long.

`look_at` is when the lane is worth looking at again: what waits there may not be due, or wait for another lane.
`changes` counts what happened to the lane, so that a worker which gives it back can tell whether it saw the newest.
Leases are compared with the database's own clock alone, since those of the machines that share it differ.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import timedelta

from sqlalchemy import bindparam, case, insert, null, or_, select, update

from service.records.instants import parse_instant, stamp
from service.storage.schema import deliveries, delivery_waits, lanes
from service.storage.statements import Among, Statement, Transaction, number_list

_ADD = Statement(
    update(lanes)
    .where(lanes.c.lane == bindparam("of"))
    .values(
        waiting=1,
        first_id=case((lanes.c.waiting == 1, lanes.c.first_id), else_=bindparam("new_first")),
        added_at=bindparam("new_added"),
        look_at=bindparam("new_look"),
        changes=lanes.c.changes + 1,
    )
)
_INSERT = Statement(insert(lanes), columns=["lane", "waiting", "first_id", "added_at", "look_at", "changes"])
_LANE_OF = Statement(select(deliveries.c.lane).where(deliveries.c.delivery_id == bindparam("delivery_id")))
_LANES_WAITING_FOR = Statement(
    select(deliveries.c.lane)
    .distinct()
    .join_from(deliveries, delivery_waits, delivery_waits.c.delivery_id == deliveries.c.delivery_id)
    .where(Among(delivery_waits.c.after_id, "after"), deliveries.c.lane != bindparam("own"))
)
_WAKE = Statement(
    update(lanes)
    .where(lanes.c.lane == bindparam("of"))
    .values(waiting=1, look_at=bindparam("new_look"), changes=lanes.c.changes + 1)
)
_own = lanes.alias("own")
_its = deliveries.alias("its")
_added = select(_own.c.added_at).where(_own.c.lane == bindparam("own_lane")).scalar_subquery()
_HASTEN = Statement(
    update(lanes)
    .where(
        lanes.c.waiting == 1,
        lanes.c.added_at < _added,
        lanes.c.lane.in_(
            select(deliveries.c.lane)
            .join_from(delivery_waits, deliveries, deliveries.c.delivery_id == delivery_waits.c.after_id)
            .join(_its, _its.c.delivery_id == delivery_waits.c.delivery_id)
            .where(_its.c.lane == bindparam("own_lane"), _its.c.state == "waiting")
        ),
    )
    .values(added_at=_added)
)
_free = (
    lanes.c.waiting == 1,
    # A time beyond the longest pause was written by a clock that was ahead; treat it as due.
    or_(lanes.c.look_at <= bindparam("now"), lanes.c.look_at > bindparam("latest")),
    or_(lanes.c.lease_until.is_(None), lanes.c.lease_until <= bindparam("lease_now")),
)
_FREE_ACTIVE = Statement(
    select(lanes.c.lane)
    .where(*_free, lanes.c.added_at >= bindparam("since"))
    .order_by(lanes.c.first_id)
    .limit(bindparam("most"))
    .with_for_update(skip_locked=True)
)
_FREE = Statement(
    select(lanes.c.lane)
    .where(*_free)
    .order_by(lanes.c.first_id)
    .limit(bindparam("most"))
    .with_for_update(skip_locked=True)
)
_LEASE = Statement(
    update(lanes)
    .where(lanes.c.lane == bindparam("of"))
    .values(holder=bindparam("new_holder"), lease_until=bindparam("new_until"))
)
_RENEW = Statement(
    update(lanes)
    .where(lanes.c.lane == bindparam("of"), lanes.c.holder == bindparam("held_by"))
    .values(lease_until=bindparam("new_until"))
    .returning(lanes.c.changes)
)
_GIVE_BACK = Statement(
    update(lanes)
    .where(
        lanes.c.lane == bindparam("of"),
        lanes.c.holder == bindparam("held_by"),
        lanes.c.changes == bindparam("seen"),
    )
    .values(holder=null(), lease_until=null(), waiting=bindparam("new_waiting"), look_at=bindparam("new_look"))
)
_LET_GO = Statement(
    update(lanes)
    .where(lanes.c.lane == bindparam("of"), lanes.c.holder == bindparam("held_by"))
    .values(holder=null(), lease_until=null())
)
_LEASE_TASK = Statement(
    update(lanes)
    .where(
        lanes.c.lane == bindparam("of"),
        or_(lanes.c.lease_until.is_(None), lanes.c.lease_until <= bindparam("lease_now")),
    )
    .values(holder=bindparam("new_holder"), lease_until=bindparam("new_until"))
)
_ANY = Statement(select(lanes.c.lane).where(lanes.c.lane == bindparam("lane")))
_LET_ALL_GO = Statement(update(lanes).where(lanes.c.holder.is_not(None)).values(holder=null(), lease_until=null()))


class LeaseLostError(Exception):
    """Another worker has the lane: what this one was about to keep or send is not its business any more."""


@dataclass(frozen=True, slots=True)
class Lease:
    """Who holds a lane, and for how long at a time."""

    holder: str
    length: timedelta

    def until(self, tx: Transaction) -> str:
        """Return when a lease that begins now ends."""
        return stamp(parse_instant(tx.moment()) + self.length)


def add_to_lane(tx: Transaction, lane: str, delivery_id: int, now: str) -> None:
    """Have a lane be looked at, since the delivery is new in it or waits again."""
    if not tx.change(_ADD, of=lane, new_first=delivery_id, new_added=now, new_look=now):
        tx.run(_INSERT, lane=lane, waiting=1, first_id=delivery_id, added_at=now, look_at=now, changes=0)


def return_to_lane(tx: Transaction, delivery_id: int, now: str) -> None:
    """Have the lane of a delivery be looked at again."""
    row = tx.one(_LANE_OF, delivery_id=delivery_id)
    if row is not None and not tx.change(_WAKE, of=row[0], new_look=now):
        tx.run(_INSERT, lane=row[0], waiting=1, first_id=delivery_id, added_at=now, look_at=now, changes=0)


def wake_lanes_waiting_for(tx: Transaction, delivery_ids: Iterable[int], own: str, now: str) -> None:
    """Have the lanes, but their `own`, be looked at in which something waits for one of the deliveries."""
    for (lane,) in tx.run(_LANES_WAITING_FOR, after=number_list(delivery_ids), own=own):
        tx.run(_WAKE, of=lane, new_look=now)


def hasten_lanes_before(tx: Transaction, lane: str) -> None:
    """Have the lanes that bring what this one waits for count as worked in as lately as this one.

    So whoever works in a case now does not wait for the whole backlog where another case brings the patient.
    """
    tx.run(_HASTEN, own_lane=lane)


@dataclass(frozen=True, slots=True)
class Moments:
    """The moments by a worker's clock that decide which lanes it looks at.

    Nothing is ever put off to after `latest`: a lane of which that seems true met a clock that was ahead.
    """

    now: str
    active_since: str
    latest: str


def claim_lanes(tx: Transaction, lease: Lease, moments: Moments, most: int) -> list[str]:
    """Lease up to `most` lanes that are worth looking at and that nobody holds, and return them.

    Those to which something was added since `active_since` come first, then the oldest: whoever works in a case
    now sees it in the chart before the backlog of an outage is done.
    """
    asked = {"now": moments.now, "latest": moments.latest, "lease_now": tx.moment()}
    chosen = [row[0] for row in tx.run(_FREE_ACTIVE, **asked, since=moments.active_since, most=most)]
    if len(chosen) < most:
        chosen += [row[0] for row in tx.run(_FREE, **asked, most=most) if row[0] not in chosen][
            : most - len(chosen)
        ]
    until = lease.until(tx)
    for lane in chosen:
        tx.run(_LEASE, of=lane, new_holder=lease.holder, new_until=until)
    return chosen


def renew_lease(tx: Transaction, lane: str, lease: Lease) -> int:
    """Begin the lease of a lane again; LeaseLostError where another worker has it.

    Returns the count of what has happened to the lane, to be named when it is given back.
    """
    row = tx.one(_RENEW, of=lane, held_by=lease.holder, new_until=lease.until(tx))
    if row is None:
        raise LeaseLostError(lane)
    return int(row[0])


def give_back_lane(tx: Transaction, lane: str, lease: Lease, seen: int, look_at: str | None) -> None:
    """End the lease of a lane, which is to be looked at again at `look_at`, or once something has changed.

    Where something has changed since it was `seen`, that is for the next one to look at, at once.
    """
    waiting = {"new_waiting": 0, "new_look": ""} if look_at is None else {"new_waiting": 1, "new_look": look_at}
    if not tx.change(_GIVE_BACK, of=lane, held_by=lease.holder, seen=seen, **waiting):
        let_go_lane(tx, lane, lease)


def let_go_lane(tx: Transaction, lane: str, lease: Lease) -> None:
    """End the lease of a lane, which the next one is to look at at once."""
    tx.run(_LET_GO, of=lane, held_by=lease.holder)


def claim_task(tx: Transaction, task: str, lease: Lease) -> bool:
    """Lease what one worker does for all, under a name that no lane has; return whether it is this one's.

    To be called as a write, since two may be the first to ask.
    """
    now = tx.moment()
    if tx.one(_ANY, lane=task) is None:
        tx.run(_INSERT, lane=task, waiting=0, first_id=0, added_at=now, look_at="", changes=0)
    until = lease.until(tx)
    return tx.change(_LEASE_TASK, of=task, lease_now=now, new_holder=lease.holder, new_until=until) > 0


def end_all_leases(tx: Transaction) -> None:
    """End what a killed process left behind; only for whoever is alone with the store."""
    tx.run(_LET_ALL_GO)
