"""Opens or amends a case."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from service.audit.append_entry import Action, Happening, append_entry
from service.intake.read_record import ReadRecord
from service.pipeline.keep_resources import RecordResource, case_owner, keep_by_record, keep_changed
from service.pipeline.log_refusal import log_refusal
from service.pipeline.make_resources import frame_case
from service.pipeline.remake_case import make_all
from service.pipeline.require_version import stale_version
from service.pipeline.stages import Answer, Stages, Taken, check_made
from service.problems import Code, Problem, ServiceProblem
from service.records.receipts import Receipt
from service.storage.cases import StoredCase, count_deliveries, count_events, find_case, keep_case
from service.storage.read_backs import read_back_of_case
from service.storage.statements import Transaction

SEALED_FIELDS = ("patient",)
"""Fields of a case that an amendment may not change: another patient would be another record."""


def case_body(tx: Transaction, case: StoredCase) -> dict[str, Any]:
    """Return a case as the API shows it."""
    return {
        "id": case.case_id,
        "version": case.version,
        **case.content,
        "events": count_events(tx, case.case_id),
        "delivery": count_deliveries(tx, case.case_id),
        "read_back": read_back_of_case(tx, case.case_id),
    }


def _sealed_changes(old: Mapping[str, Any], new: Mapping[str, Any]) -> list[Problem]:
    return [
        Problem(
            Code.SEALED_FIELD,
            f"/{name}",
            f"{name!r} cannot be changed after the case is opened",
            f"the {name} with which the case was opened",
        )
        for name in SEALED_FIELDS
        if old.get(name) != new.get(name)
    ]


def take_case(
    tx: Transaction,
    stages: Stages,
    case_id: str,
    read: ReadRecord,
    receipt: Receipt,
    body: bytes,
    *,
    expected: int | None = None,
) -> Answer:
    """Keep a case, its anchors and its audit entry; or refuse it, and keep that.

    The same content again changes nothing. An amendment makes the resources of all its events anew. `expected` is
    the version that the client has amended, where it says so.
    """
    subject = f"case:{case_id}"
    old = find_case(tx, case_id)
    if old is not None and old.content_hash == read.content_hash:
        append_entry(tx, receipt, Happening(Action.DUPLICATE, subject, "duplicate", case_id))
        return Taken(200, case_body(tx, old), repeated=True)
    if stale := stale_version(expected, old.version if old else 0):
        return log_refusal(tx, receipt, subject, stale, body, case_id)
    if old is not None and (sealed := _sealed_changes(old.content, read.content)):
        return log_refusal(tx, receipt, subject, sealed, body, case_id)
    opened_at = old.opened_at if old else receipt.received_at
    frame = frame_case(stages, case_id, read.content, opened_at)
    try:
        check_made(frame.resources)
        made = make_all(tx, stages, frame)
    except ServiceProblem as problem:
        return log_refusal(tx, receipt, subject, problem.problems, body, case_id)
    case = StoredCase(case_id, old.version + 1 if old else 1, read.content, read.content_hash, opened_at)
    keep_case(tx, case, receipt)
    append_entry(
        tx,
        receipt,
        Happening(
            Action.CASE_AMENDED if old else Action.CASE_TAKEN,
            subject,
            "accepted",
            case_id,
            {"version": case.version, **read.hashes},
        ),
    )
    owner = case_owner(case_id, subject)
    anchors = [RecordResource(resource, subject) for resource in frame.resources]
    if old is None:
        # Anchors and the spans of the case itself refer to each other, so that neither can arrive before the other.
        keep_changed(tx, owner, [*anchors, *made], receipt)
    else:
        keep_changed(tx, owner, anchors, receipt)
        keep_by_record(tx, owner, made, receipt)
    return Taken(200 if old else 201, case_body(tx, case))
