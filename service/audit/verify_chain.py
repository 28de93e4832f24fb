"""Proves that the audit log and what it vouches for are as they were written; trusts nothing but the rows."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from service.audit.append_entry import FIRST_PREVIOUS_HASH, entry_hash
from service.audit.verify_deliveries import SettledDeliveries
from service.audit.verify_kept import KeptRows
from service.exact_json import read_json
from service.storage.audit_entries import AuditEntry, entries_after
from service.storage.statements import Transaction

_PAGE = 1000


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
    """Return what is wrong with the log: gaps in the numbers, broken hashes, kept rows that were changed.

    `held` is a seal taken earlier; without one, a log whose end was cut off cannot be told from a shorter log.
    """
    faults: list[str] = []
    expected_number, previous_hash = 1, FIRST_PREVIOUS_HASH
    held_seen = held is None or held.number == 0
    kept, settled = KeptRows(tx), SettledDeliveries(tx)
    for entry in _all_entries(tx):
        if entry.number != expected_number:
            faults.append(f"entry {expected_number} is missing: {entry.number} follows")
        if entry.previous_hash != previous_hash:
            faults.append(f"entry {entry.number} does not follow the entry before it")
        if entry_hash(entry) == entry.hash:
            detail = read_json(entry.detail.encode())
            faults.extend(kept.faults_of(entry, detail))
            settled.note(entry, detail)
        else:
            # What a changed entry says of the kept rows is worth nothing.
            faults.append(f"entry {entry.number} was changed")
        if held is not None and entry.number == held.number:
            held_seen = True
            if entry.hash != held.hash:
                faults.append(f"entry {entry.number} is not the one that the seal names")
        expected_number, previous_hash = entry.number + 1, entry.hash
    faults.extend(kept.faults_of_rest())
    faults.extend(settled.faults())
    if held is not None and not held_seen:
        faults.append(f"the log ends before entry {held.number}, which the seal names")
    return ChainReport(expected_number - 1, Seal(expected_number - 1, previous_hash), tuple(faults))
