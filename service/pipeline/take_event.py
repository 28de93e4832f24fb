"""Takes in the events of a case, corrects them, and marks them as entered in error."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from service.audit.append_entry import Action, Happening, append_entry
from service.exact_json import read_json
from service.intake.read_record import ReadRecord
from service.pipeline.judge_plausibility import implausible_in
from service.pipeline.keep_resources import case_owner, keep_changed
from service.pipeline.log_refusal import log_refusal
from service.pipeline.remake_case import (
    ensure_devices,
    find_frame,
    make_after_change,
    remake_clock,
    with_retraction,
)
from service.pipeline.require_version import stale_version
from service.pipeline.stages import Answer, CaseFrame, Stages, Taken
from service.problems import Code, Problem, ServiceProblem
from service.readiness.read_clock import read_clock_comparison
from service.records.events import RecordedEvent
from service.records.receipts import Receipt
from service.storage.devices import clocks_of_origin, forget_reading, keep_reading
from service.storage.events import event_identity, find_event, first_answer, keep_event
from service.storage.statements import Transaction


@dataclass(frozen=True, slots=True)
class SentEvent:
    """One event of a request: as it was read, or the problems of reading it; `body` is what was sent."""

    read: ReadRecord | None
    problems: tuple[Problem, ...]
    body: bytes


CLOCK_KIND = "clock_compared"


def _subject(case_id: str, event_id: object) -> str:
    return f"event:{case_id}/{event_id}"


def _unknown_case(case_id: str) -> Problem:
    return Problem(
        Code.UNKNOWN_CASE, "", "there is no case of this id", f"a case that was opened with PUT /v1/cases/{case_id}"
    )


def take_events(
    tx: Transaction, stages: Stages, case_id: str, sent: Sequence[SentEvent], receipt: Receipt
) -> list[Answer]:
    """Keep each event with its resources and its audit entry, or refuse it and keep that; one answer for each.

    The events of one request are kept together, but a refused one does not keep out the others.
    """
    frame = find_frame(tx, stages, case_id)
    if frame is None:
        problem = _unknown_case(case_id)
        return [log_refusal(tx, receipt, _subject(case_id, "?"), [problem], item.body, case_id) for item in sent]
    return [_take_event(tx, stages, frame, item, receipt) for item in sent]


def _take_event(tx: Transaction, stages: Stages, frame: CaseFrame, sent: SentEvent, receipt: Receipt) -> Answer:
    case_id = frame.case_id
    if sent.read is None:
        return log_refusal(tx, receipt, _subject(case_id, "?"), sent.problems, sent.body, case_id)
    content = sent.read.content
    event_id = content["id"]
    subject = _subject(case_id, event_id)
    first = first_answer(tx, case_id, event_id)
    if first is not None:
        return _repeated(tx, first, sent, subject, case_id, receipt)
    event = RecordedEvent(case_id, event_id, content["kind"], 1, retracted=False, content=content,
                          received_at=receipt.received_at)  # fmt: skip
    try:
        return _keep_version(tx, stages, frame, _NewVersion(event, sent.read, Action.EVENT_TAKEN), receipt)
    except ServiceProblem as problem:
        return log_refusal(tx, receipt, subject, problem.problems, sent.body, case_id)


def _repeated(
    tx: Transaction, first: tuple[str, bytes], sent: SentEvent, subject: str, case_id: str, receipt: Receipt
) -> Answer:
    """Answer an id that is taken: the first answer again for the same content, a conflict for other content."""
    content_hash, answer = first
    if sent.read is not None and sent.read.content_hash == content_hash:
        append_entry(tx, receipt, Happening(Action.DUPLICATE, subject, "duplicate", case_id))
        return Taken(201, {**read_json(answer), "outcome": "duplicate"}, repeated=True)
    problem = Problem(
        Code.OTHER_CONTENT,
        "/id",
        "an event of this id was taken with other content",
        "a new id, or PUT with a reason to correct the event",
    )
    return log_refusal(tx, receipt, subject, [problem], sent.body, case_id)


@dataclass(frozen=True, slots=True)
class _NewVersion:
    """A version of an event that is to be kept, and how the audit log will tell of it."""

    event: RecordedEvent
    read: ReadRecord
    action: Action
    reason: str | None = None


def _keep_version(tx: Transaction, stages: Stages, frame: CaseFrame, new: _NewVersion, receipt: Receipt) -> Taken:
    """Keep one version of an event, what is made from it, and the entries that tell of it.

    Everything that can be refused is refused before the first row is written.
    """
    event = new.event
    made = make_after_change(tx, stages, frame, event)
    warnings = [*new.read.warnings, *implausible_in(tx, stages, frame, event)]
    ensure_devices(tx, stages, [event], receipt)
    record = _subject(frame.case_id, event.id)
    append_entry(
        tx,
        receipt,
        Happening(
            new.action,
            record,
            "accepted",
            frame.case_id,
            {
                "event_id": event.id,
                "kind": event.kind,
                "version": event.version,
                "clock": event.clock,
                **new.read.hashes,
                "warnings": [_warning_detail(warning) for warning in warnings],
                **({"reason": new.reason} if new.reason is not None else {}),
            },
        ),
    )
    changed = keep_changed(tx, case_owner(frame.case_id, record), made, receipt)
    answer = {
        "id": event.id,
        "outcome": "accepted",
        "version": event.version,
        "warnings": [warning.as_json() for warning in warnings],
        "resources": changed,
    }
    keep_event(tx, event, new.read.content_hash, answer, receipt.actor)
    if event.kind == CLOCK_KIND:
        _keep_comparison(tx, stages, event, receipt)
    return Taken(201 if event.version == 1 else 200, answer)


def _warning_detail(warning: Problem) -> dict[str, str]:
    """Return what the log says of a warning: its code, its place and its rule, never a value."""
    detail = {"code": warning.code.facts.code, "pointer": warning.pointer}
    return detail | {"rule": warning.rule} if warning.rule else detail


def _keep_comparison(tx: Transaction, stages: Stages, event: RecordedEvent, receipt: Receipt) -> None:
    """Keep what a comparison of clocks says, or forget it where it no longer says anything; then correct anew."""
    origin = _subject(event.case_id, event.id)
    reading = read_clock_comparison(event)
    clocks = {reading.clock} if reading else set()
    if reading is not None:
        keep_reading(tx, replace(reading, origin=origin))
    for clock in clocks_of_origin(tx, origin) - clocks:
        forget_reading(tx, clock, origin)
        clocks.add(clock)
    for clock in sorted(clocks):
        remake_clock(tx, stages, clock, receipt)


def correct_event(
    tx: Transaction,
    stages: Stages,
    case_id: str,
    event_id: str,
    sent: SentEvent,
    receipt: Receipt,
    *,
    reason: str,
    expected: int | None = None,
) -> Answer:
    """Keep a new version of an event in place of the newest one, which stays readable; or refuse it.

    `expected` is the version that the client has corrected, where it says so.
    """
    subject = _subject(case_id, event_id)
    frame, old = find_frame(tx, stages, case_id), event_identity(tx, case_id, event_id)
    problem = _uncorrectable(case_id, known_case=frame is not None, known_event=old is not None)
    if problem is None and sent.read is None:
        return log_refusal(tx, receipt, subject, sent.problems, sent.body, case_id)
    if problem is None and old is not None and old.retracted:
        problem = Problem(Code.RETRACTED_EVENT, "", "the event was entered in error", "a new event with a new id")
    if problem is None and sent.read is not None and sent.read.content["id"] != event_id:
        problem = Problem(
            Code.CONTRADICTION, "/id", "the id differs from that in the address", "the same id in both"
        )
    if problem is not None or frame is None or old is None or sent.read is None:
        return log_refusal(tx, receipt, subject, [problem or _unknown_case(case_id)], sent.body, case_id)
    if sent.read.content_hash == old.content_hash:
        append_entry(tx, receipt, Happening(Action.DUPLICATE, subject, "duplicate", case_id))
        return Taken(200, {**read_json(old.answer), "outcome": "duplicate"}, repeated=True)
    if stale := stale_version(expected, old.version):
        return log_refusal(tx, receipt, subject, stale, sent.body, case_id)
    previous = find_event(tx, case_id, event_id)
    if previous is not None and previous.kind != sent.read.content["kind"]:
        kind_problem = Problem(
            Code.OTHER_CONTENT, "/kind", "a correction keeps the kind", "delete the event and post a new one"
        )
        return log_refusal(tx, receipt, subject, [kind_problem], sent.body, case_id)
    event = RecordedEvent(case_id, event_id, sent.read.content["kind"], old.version + 1, retracted=False,
                          content=sent.read.content, received_at=receipt.received_at)  # fmt: skip
    try:
        return _keep_version(
            tx, stages, frame, _NewVersion(event, sent.read, Action.EVENT_CORRECTED, reason), receipt
        )
    except ServiceProblem as refused:
        return log_refusal(tx, receipt, subject, refused.problems, sent.body, case_id)


def _uncorrectable(case_id: str, *, known_case: bool, known_event: bool) -> Problem | None:
    if not known_case:
        return _unknown_case(case_id)
    if not known_event:
        return Problem(
            Code.UNKNOWN_EVENT,
            "",
            "there is no event of this id in the case",
            "the id of an event of this case",
        )
    return None


def retract_event(
    tx: Transaction,
    stages: Stages,
    case_id: str,
    event_id: str,
    receipt: Receipt,
    *,
    reason: str,
    expected: int | None = None,
) -> Answer:
    """Mark an event as entered in error, everywhere; again for one that is marked already changes nothing.

    `expected` is the version that the client has seen, where it says so.
    """
    subject = _subject(case_id, event_id)
    frame, old = find_frame(tx, stages, case_id), find_event(tx, case_id, event_id)
    problem = _uncorrectable(case_id, known_case=frame is not None, known_event=old is not None)
    if problem is not None or frame is None or old is None:
        return log_refusal(tx, receipt, subject, [problem or _unknown_case(case_id)], b"", case_id)
    identity = event_identity(tx, case_id, event_id)
    if old.retracted and identity is not None:
        append_entry(tx, receipt, Happening(Action.DUPLICATE, subject, "duplicate", case_id))
        return Taken(200, {**read_json(identity.answer), "outcome": "duplicate"}, repeated=True)
    if stale := stale_version(expected, old.version):
        return log_refusal(tx, receipt, subject, stale, b"", case_id)
    event = with_retraction(old, receipt)
    read = ReadRecord(dict(old.content), identity.content_hash if identity else "", ())
    taken = _keep_version(tx, stages, frame, _NewVersion(event, read, Action.EVENT_RETRACTED, reason), receipt)
    return replace(taken, body={**taken.body, "outcome": "entered_in_error"})
