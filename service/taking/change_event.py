"""Corrects an event, or marks it as entered in error; every version stays readable."""

from __future__ import annotations

from dataclasses import replace

from service.audit.append_entry import Action
from service.exact_json import read_json
from service.intake.read_record import ReadRecord
from service.making.stages import Stages
from service.problems import Code, ServiceProblem, refusal_for
from service.reading.find_case import OpenCase, open_case
from service.records.events import RecordedEvent
from service.storage.events import KnownEvent, find_event
from service.storage.statements import Transaction
from service.taking.submissions import Submission, Taken, log_repeat, require_version
from service.taking.take_events import NewVersion, SentEvent, keep_versions


def _find(tx: Transaction, stages: Stages, case_id: str, event_id: str) -> tuple[OpenCase, KnownEvent]:
    """Return a case and an event of it; Rejected where one of them is not there."""
    case = open_case(tx, stages, case_id)
    known = find_event(tx, case_id, event_id)
    if known is None:
        message = "there is no event of this id in the case"
        raise refusal_for(Code.UNKNOWN_EVENT, "", message, "the id of an event of this case")
    return case, known


def correct_event(tx: Transaction, stages: Stages, case_id: str, event_id: str, sent: SentEvent) -> Taken:
    """Keep a new version of an event in place of the newest one, which stays readable.

    The same content again changes nothing. Raises a ServiceProblem, with nothing kept, where it is refused.
    """
    case, known = _find(tx, stages, case_id, event_id)
    if isinstance(sent.read, ServiceProblem):
        raise sent.read
    content = sent.read.content
    if known.retracted:
        raise refusal_for(Code.RETRACTED_EVENT, "", "the event was entered in error", "a new event with a new id")
    if content["id"] != event_id:
        message = "the id differs from that in the address"
        raise refusal_for(Code.CONTRADICTION, "/id", message, "the same id in both")
    if sent.read.content_hash == known.content_hash:
        log_repeat(tx, sent.submission)
        return Taken(200, {**read_json(known.answer), "outcome": "duplicate"}, is_repeat=True)
    require_version(sent.submission, known.version)
    if known.placed.event.kind != content["kind"]:
        message = "a correction keeps the kind"
        raise refusal_for(Code.OTHER_CONTENT, "/kind", message, "delete the event and post a new one")
    event = RecordedEvent(
        case_id,
        event_id,
        content["kind"],
        known.version + 1,
        retracted=False,
        content=content,
        received_at=sent.submission.receipt.received_at,
    )
    new = NewVersion(event, sent.read, Action.EVENT_CORRECTED, sent.submission, known.placed.order_at)
    (taken,) = keep_versions(case, [new])
    return taken


def retract_event(tx: Transaction, stages: Stages, case_id: str, event_id: str, submission: Submission) -> Taken:
    """Mark an event as entered in error, everywhere; again for one that is marked already changes nothing.

    Raises a ServiceProblem, with nothing kept, where it is refused.
    """
    case, known = _find(tx, stages, case_id, event_id)
    if known.retracted:
        log_repeat(tx, submission)
        return Taken(200, {**read_json(known.answer), "outcome": "duplicate"}, is_repeat=True)
    require_version(submission, known.version)
    event = replace(
        known.placed.event,
        version=known.version + 1,
        retracted=True,
        received_at=submission.receipt.received_at,
    )
    read = ReadRecord(dict(event.content), known.content_hash, ())
    new = NewVersion(event, read, Action.EVENT_RETRACTED, submission, known.placed.order_at)
    (taken,) = keep_versions(case, [new])
    return replace(taken, body={**taken.body, "outcome": "entered_in_error"})
