"""Shows the audit log: its entries, filtered and paged, and the newest seal."""

from __future__ import annotations

from typing import Any

from service.exact_json import read_json
from service.reading.paging import page_body
from service.storage.audit_entries import AuditEntry, EntryFilter, filtered_entries, newest_entry
from service.storage.statements import Transaction


def entry_body(entry: AuditEntry) -> dict[str, Any]:
    """Return an entry as the API shows it."""
    return {
        "number": entry.number,
        "recorded_at": entry.recorded_at,
        "action": entry.action,
        "actor": entry.actor,
        "case_id": entry.case_id,
        "subject": entry.subject,
        "outcome": entry.outcome,
        "detail": read_json(entry.detail.encode()),
        "hash": entry.hash,
        "previous_hash": entry.previous_hash,
    }


def read_entries(tx: Transaction, wanted: EntryFilter, after: int, most: int) -> dict[str, Any]:
    """Return a page of entries in order, and where there are more, the number after which the next page begins."""
    page = filtered_entries(tx, wanted, after, most + 1)
    return page_body("entries", page, most, lambda entry: [entry_body(entry)], lambda entry: entry.number)


def read_seal(tx: Transaction) -> dict[str, Any]:
    """Return number, hash and time of the newest entry; number 0 where the log is empty."""
    newest = newest_entry(tx)
    if newest is None:
        return {"number": 0, "hash": None, "recorded_at": None}
    return {"number": newest.number, "hash": newest.hash, "recorded_at": newest.recorded_at}
