"""Proves that the audit log and what it vouches for are as they were written; trusts nothing but the rows."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass

from sqlalchemy import bindparam, select

from service.audit.append_entry import FIRST_PREVIOUS_HASH, Action, entry_hash
from service.exact_json import content_hash, read_json
from service.storage.audit_entries import AuditEntry, entries_after, refused_body
from service.storage.schema import events
from service.storage.statements import Statement, Transaction

_PAGE = 1000
_EVENT_CONTENT = Statement(
    select(events.c.content).where(
        events.c.case_id == bindparam("case_id"),
        events.c.event_id == bindparam("event_id"),
        events.c.version == bindparam("version"),
    )
)


@dataclass(frozen=True, slots=True)
class Seal:
    """The number and hash of the newest entry of a log.

    Whoever holds it can tell later whether the log still begins with exactly these entries.
    """

    number: int
    hash: str


@dataclass(frozen=True, slots=True)
class ChainReport:
    """What the verification found; `faults` is empty where everything is as it was written."""

    entries: int
    seal: Seal
    faults: tuple[str, ...]


def _all_entries(tx: Transaction) -> Iterator[AuditEntry]:
    after = 0
    while page := entries_after(tx, after, _PAGE):
        yield from page
        after = page[-1].number


def verify_chain(tx: Transaction, held: Seal | None = None) -> ChainReport:
    """Return what is wrong with the log: gaps in the numbers, broken hashes, kept bodies that were changed.

    `held` is a seal taken earlier; without one, a log whose end was cut off cannot be told from a shorter log.
    """
    faults: list[str] = []
    expected_number, previous_hash = 1, FIRST_PREVIOUS_HASH
    held_seen = held is None or held.number == 0
    for entry in _all_entries(tx):
        if entry.number != expected_number:
            faults.append(f"entry {expected_number} is missing: {entry.number} follows")
        if entry.previous_hash != previous_hash:
            faults.append(f"entry {entry.number} does not follow the entry before it")
        if entry_hash(entry) != entry.hash:
            faults.append(f"entry {entry.number} was changed")
        if held is not None and entry.number == held.number:
            held_seen = True
            if entry.hash != held.hash:
                faults.append(f"entry {entry.number} is not the one that the seal was taken of")
        faults.extend(_faults_of_kept(tx, entry))
        expected_number, previous_hash = entry.number + 1, entry.hash
    if held is not None and not held_seen:
        faults.append(f"the log ends before entry {held.number}, of which the seal was taken")
    return ChainReport(expected_number - 1, Seal(expected_number - 1, previous_hash), tuple(faults))


def _faults_of_kept(tx: Transaction, entry: AuditEntry) -> Iterator[str]:
    """Yield what is wrong with the body or the event for which an entry vouches."""
    detail = read_json(entry.detail.encode())
    if "body_sha256" in detail:
        body = refused_body(tx, entry.number)
        if body is None:
            yield f"the body that entry {entry.number} refused is gone"
        elif hashlib.sha256(body).hexdigest() != detail["body_sha256"]:
            yield f"the body that entry {entry.number} refused was changed"
    if entry.action in _VOUCHING and entry.outcome == "accepted":
        row = tx.one(_EVENT_CONTENT, case_id=entry.case_id, event_id=detail["event_id"], version=detail["version"])
        if row is None:
            yield f"the event that entry {entry.number} took is gone"
        elif content_hash(read_json(row[0])) != detail["content_hash"]:
            yield f"the event that entry {entry.number} took was changed"


_VOUCHING = frozenset({Action.EVENT_TAKEN, Action.EVENT_CORRECTED, Action.EVENT_RETRACTED})
