"""Appends to the audit log inside the transaction that does what the entry tells of."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Any

from service.exact_json import canonical_json
from service.records.receipts import Receipt
from service.storage.audit_entries import AuditEntry, insert_entry, keep_refused_body, newest_number_and_hash
from service.storage.statements import Transaction

FIRST_PREVIOUS_HASH = "0" * 64
"""What the first entry names as the hash before it."""


_HEAD = "head of the log"
"""Under this name a transaction notes number and hash of its newest entry."""


class Action(StrEnum):
    """What an entry tells of."""

    CASE_TAKEN = "case-taken"
    CASE_AMENDED = "case-amended"
    EVENT_TAKEN = "event-taken"
    EVENT_CORRECTED = "event-corrected"
    EVENT_RETRACTED = "event-retracted"
    DEVICE_TAKEN = "device-taken"
    CHECK_TAKEN = "check-taken"
    DUPLICATE = "duplicate"
    REFUSED = "refused"
    MAPPED = "mapped"
    ATTEMPT = "attempt"
    OUTCOME = "outcome"
    RETRY = "retry"
    DISCARD = "discard"
    READ_BACK = "read-back"
    AUDIT_READ = "audit-read"


@dataclass(frozen=True, slots=True)
class Happening:
    """What is to be logged. `detail` holds ids, codes, hashes and counts, never a clinical value."""

    action: Action
    subject: str
    outcome: str
    case_id: str | None = None
    detail: Mapping[str, Any] = field(default_factory=dict)


def entry_hash(entry: AuditEntry) -> str:
    """Return the SHA-256 over the canonical JSON of all members of an entry, in their order, but its own hash."""
    return hashlib.sha256(
        canonical_json(
            [
                entry.number,
                entry.recorded_at,
                entry.action,
                entry.actor,
                entry.case_id,
                entry.subject,
                entry.outcome,
                entry.detail,
                entry.previous_hash,
            ]
        )
    ).hexdigest()


def _without_nul(text: str) -> str:
    """Return a text that every database keeps as it is; an address of a refused request may hold anything."""
    return text.replace("\x00", "\ufffd")


def append_entry(
    tx: Transaction, receipt: Receipt, happening: Happening, refused_body: bytes | None = None
) -> AuditEntry:
    """Append an entry and return it; it is kept if and only if the transaction is.

    A refused body is kept beside the entry, which holds its hash, so that nothing a client sent is lost.
    """
    if _HEAD not in tx.notes:
        tx.notes[_HEAD] = newest_number_and_hash(tx) or (0, FIRST_PREVIOUS_HASH)
    number, previous_hash = tx.notes[_HEAD]
    detail = dict(happening.detail)
    if refused_body is not None:
        detail["body_sha256"] = hashlib.sha256(refused_body).hexdigest()
    unsealed = AuditEntry(
        number=number + 1,
        recorded_at=receipt.stamp,
        action=happening.action.value,
        actor=receipt.actor,
        case_id=_without_nul(happening.case_id) if happening.case_id is not None else None,
        subject=_without_nul(happening.subject)[:200],
        outcome=happening.outcome,
        detail=canonical_json(detail).decode(),
        hash="",
        previous_hash=previous_hash,
    )
    entry = replace(unsealed, hash=entry_hash(unsealed))
    insert_entry(tx, entry)
    if refused_body is not None:
        keep_refused_body(tx, entry.number, refused_body)
    tx.notes[_HEAD] = entry.number, entry.hash
    return entry
