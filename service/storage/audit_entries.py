"""The rows of the audit log and the bodies that were refused; only `service.audit` appends."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import bindparam, insert, select

from service.storage.schema import audit_entries, refused_bodies
from service.storage.statements import Statement, Transaction


@dataclass(frozen=True, slots=True)
class AuditEntry:
    """One line of the audit log; `detail` is JSON text, kept letter for letter since the hash covers it."""

    number: int
    recorded_at: str
    action: str
    actor: str
    case_id: str | None
    subject: str
    outcome: str
    detail: str
    hash: str
    previous_hash: str


_HEAD = Statement(
    select(audit_entries.c.number, audit_entries.c.hash).order_by(audit_entries.c.number.desc()).limit(1)
)
_INSERT = Statement(insert(audit_entries))
_NAMES = [column.name for column in audit_entries.c]
_NEWEST = Statement(select(*audit_entries.c).order_by(audit_entries.c.number.desc()).limit(1))
_AFTER = Statement(
    select(*audit_entries.c)
    .where(audit_entries.c.number > bindparam("after"))
    .order_by(audit_entries.c.number)
    .limit(bindparam("most"))
)
_INSERT_BODY = Statement(insert(refused_bodies))
_BODY = Statement(select(refused_bodies.c.body).where(refused_bodies.c.number == bindparam("number")))


def newest_number_and_hash(tx: Transaction) -> tuple[int, str] | None:
    """Return number and hash of the newest entry; None where the log is empty."""
    row = tx.one(_HEAD)
    return (row[0], row[1]) if row else None


def newest_entry(tx: Transaction) -> AuditEntry | None:
    """Return the newest entry."""
    row = tx.one(_NEWEST)
    return AuditEntry(*row) if row else None


def insert_entry(tx: Transaction, entry: AuditEntry) -> None:
    """Append an entry whose hash has been computed."""
    tx.add(_INSERT, [{name: getattr(entry, name) for name in _NAMES}])


def entries_after(tx: Transaction, after: int, most: int) -> list[AuditEntry]:
    """Return up to `most` entries with a number above `after`, in order."""
    return [AuditEntry(*row) for row in tx.run(_AFTER, after=after, most=most)]


@dataclass(frozen=True, slots=True)
class EntryFilter:
    """Which entries are wanted; what is None does not restrict."""

    case_id: str | None = None
    action: str | None = None
    outcome: str | None = None
    actor: str | None = None
    subject: str | None = None
    since: str | None = None
    until: str | None = None


def filtered_entries(tx: Transaction, wanted: EntryFilter, after: int, most: int) -> list[AuditEntry]:
    """Return up to `most` entries that the filter lets through, in order, with a number above `after`."""
    columns = audit_entries.c
    query = select(*columns).where(columns.number > bindparam("after"))
    parameters: dict[str, str | int] = {"after": after, "most": most}
    for name in ("case_id", "action", "outcome", "actor", "subject"):
        value = getattr(wanted, name)
        if value is not None:
            query = query.where(columns[name] == bindparam(f"wanted_{name}"))
            parameters[f"wanted_{name}"] = value
    if wanted.since is not None:
        query = query.where(columns.recorded_at >= bindparam("since"))
        parameters["since"] = wanted.since
    if wanted.until is not None:
        query = query.where(columns.recorded_at < bindparam("until"))
        parameters["until"] = wanted.until
    statement = Statement(query.order_by(columns.number).limit(bindparam("most")))
    return [AuditEntry(*row) for row in tx.run(statement, **parameters)]


def keep_refused_body(tx: Transaction, number: int, body: bytes) -> None:
    """Keep the body that was refused with the entry `number`."""
    tx.add(_INSERT_BODY, [{"number": number, "body": body}])


def refused_body(tx: Transaction, number: int) -> bytes | None:
    """Return the body that was refused with the entry `number`."""
    row = tx.one(_BODY, number=number)
    return row[0] if row else None
