"""Takes in new events of a case: one or many at a time, each kept with all that is made from it, or refused."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from service.audit.append_entry import Action, Happening, append_entry
from service.exact_json import read_json
from service.intake.read_record import ReadRecord
from service.making.make_device import make_device
from service.making.stages import Stages
from service.outbox.queue_resources import (
    Queued,
    by_record,
    owned_by_case,
    owned_by_device,
    queue_and_log,
    queue_deliveries,
)
from service.problems import Code, Invalid, Problem, ServiceProblem, refusal_for
from service.readiness.read_clock import CLOCK_KIND, read_clock_comparison
from service.reading.find_case import OpenCase, open_case
from service.records.events import RecordedEvent
from service.records.receipts import Receipt
from service.records.record_keys import event_key
from service.storage.devices import StoredDevice, keep_device, known_devices
from service.storage.events import NewEvent, first_answers, keep_events
from service.storage.statements import Transaction
from service.taking.adjoining_spans import Change
from service.taking.judge_plausibility import implausible_in
from service.taking.make_changes import MadeChanges, make_changes
from service.taking.remake_events import change_reading
from service.taking.submissions import Outcome, Submission, Taken, keep_refusal, log_repeat


@dataclass(frozen=True, slots=True)
class SentEvent:
    """One event of a request: as it was read, or the problems of reading it."""

    submission: Submission
    read: ReadRecord | ServiceProblem


@dataclass(frozen=True, slots=True)
class NewVersion:
    """A version of an event that is to be kept, and how the audit log will tell of it."""

    event: RecordedEvent
    read: ReadRecord
    action: Action
    submission: Submission
    order_before: str | None = None


def take_events(tx: Transaction, stages: Stages, case_id: str, sent: Sequence[SentEvent]) -> list[Outcome]:
    """Keep each event with its resources and its audit entry, or refuse it and keep that; one outcome for each.

    The events of one call are kept together, but a refused one does not keep out the others. What follows from
    several of them, such as a span, is made once.
    """
    outcomes: dict[int, Outcome] = {}
    try:
        case = open_case(tx, stages, case_id)
    except ServiceProblem as refused:
        return [keep_refusal(tx, one.submission, refused) for one in sent]
    ids = [one.read.content["id"] for one in sent if isinstance(one.read, ReadRecord)]
    known = first_answers(tx, case_id, ids) if ids else {}
    first_places: dict[str, int] = {}
    repeats: list[int] = []
    for place, one in enumerate(sent):
        if isinstance(one.read, ServiceProblem):
            outcomes[place] = keep_refusal(tx, one.submission, one.read)
        elif one.read.content["id"] in known:
            outcomes[place] = _answer_again(tx, one, one.read, *known[one.read.content["id"]])
        elif one.read.content["id"] in first_places:
            repeats.append(place)
        else:
            first_places[one.read.content["id"]] = place
    new = {place: _first_version(case_id, sent[place]) for place in first_places.values()}
    outcomes |= _take_new(case, new)
    if repeats:
        # The first of an id has been decided by now, so that the others are answered as if they came later.
        later = take_events(tx, stages, case_id, [sent[place] for place in repeats])
        outcomes |= dict(zip(repeats, later, strict=True))
    return [outcomes[place] for place in range(len(sent))]


def take_posted(stages: Stages, tx: Transaction, posted: Sequence[tuple[str, SentEvent]]) -> list[Outcome]:
    """Keep single events, each with the id of its case, that wait for the same commit; one outcome for each."""
    by_case: dict[str, list[int]] = {}
    for place, (case_id, _) in enumerate(posted):
        by_case.setdefault(case_id, []).append(place)
    outcomes: dict[int, Outcome] = {}
    for case_id, places in by_case.items():
        own = take_events(tx, stages, case_id, [posted[place][1] for place in places])
        outcomes |= zip(places, own, strict=True)
    return [outcomes[place] for place in range(len(posted))]


def _first_version(case_id: str, sent: SentEvent) -> NewVersion:
    if isinstance(sent.read, ServiceProblem):
        raise sent.read
    content = sent.read.content
    event = RecordedEvent(
        case_id,
        content["id"],
        content["kind"],
        1,
        retracted=False,
        content=content,
        received_at=sent.submission.receipt.received_at,
    )
    return NewVersion(event, sent.read, Action.EVENT_TAKEN, sent.submission)


def _answer_again(tx: Transaction, sent: SentEvent, read: ReadRecord, content_hash: str, answer: bytes) -> Outcome:
    """Answer an id that is taken: the first answer again for the same content, a conflict for other content."""
    if read.content_hash == content_hash:
        log_repeat(tx, sent.submission)
        return Taken(201, {**read_json(answer), "outcome": "duplicate"}, is_repeat=True)
    problem = refusal_for(
        Code.OTHER_CONTENT,
        "/id",
        "an event of this id was taken with other content",
        "a new id, or PUT with a reason to correct the event",
    )
    return keep_refusal(tx, sent.submission, problem)


def _take_new(case: OpenCase, new: dict[int, NewVersion]) -> dict[int, Outcome]:
    if not new:
        return {}
    try:
        kept = keep_versions(case, list(new.values()))
    except Invalid as invalid:
        if len(new) == 1:
            return {place: keep_refusal(case.tx, one.submission, invalid) for place, one in new.items()}
        # One of them cannot be mapped; taken one by one, only that one is refused.
        return {place: outcome for place, one in new.items() for outcome in _take_new(case, {place: one}).values()}
    return dict(zip(new, kept, strict=True))


def keep_versions(case: OpenCase, new: Sequence[NewVersion]) -> list[Taken]:
    """Keep versions of events, what is made from them, and the entries that tell of it; return the answers.

    Raises Invalid before the first row is written where one of them makes what breaks FHIR R4.
    """
    tx, stages = case.tx, case.stages
    events = [one.event for one in new]
    made = make_changes(case, [Change(one.event, one.order_before) for one in new])
    named = {event.content["device"] for event in events if "device" in event.content}
    devices = known_devices(tx, named)
    warnings = implausible_in(case, events, made.timeline, devices)
    receipt = new[0].submission.receipt
    _add_devices(tx, stages, named - devices.keys(), receipt)
    own = {key: resources for one in new if (key := event_key(case.case_id, one.event.id)) in made.deliveries
           for resources in [made.deliveries[key]]}  # fmt: skip
    queued = queue_deliveries(tx, owned_by_case(case.case_id), own, receipt.stamp)
    queue_and_log(
        tx,
        owned_by_case(case.case_id),
        {key: resources for key, resources in made.deliveries.items() if key not in own},
        receipt,
    )
    kept = [_keep(tx, case.case_id, one, warnings.get(one.event.id, ()), queued, made) for one in new]
    keep_events(tx, [stored for stored, _ in kept])
    for one in new:
        if one.event.kind == CLOCK_KIND:
            record_key = event_key(case.case_id, one.event.id)
            change_reading(tx, stages, record_key, read_clock_comparison(one.event), one.submission.receipt)
    return [
        Taken(201 if one.event.version == 1 else 200, answer) for one, (_, answer) in zip(new, kept, strict=True)
    ]


def _keep(
    tx: Transaction,
    case_id: str,
    new: NewVersion,
    implausible: Sequence[Problem],
    queued: dict[str, Queued],
    made: MadeChanges,
) -> tuple[NewEvent, dict[str, Any]]:
    """Log a version; return it as it is to be kept, and the answer to its client."""
    event, submission = new.event, new.submission
    key = event_key(case_id, event.id)
    warnings = [*new.read.warnings, *implausible]
    detail: dict[str, Any] = {
        "event_id": event.id,
        "kind": event.kind,
        "version": event.version,
        "clock": event.clock,
        **new.read.hashes,
        "warnings": [_warning_detail(warning) for warning in warnings],
    }
    if submission.reason is not None:
        detail["reason"] = submission.reason
    if key in queued:
        detail |= queued[key].detail
    append_entry(tx, submission.receipt, Happening(new.action, key, "accepted", case_id, detail))
    answer = {
        "id": event.id,
        "outcome": "accepted",
        "version": event.version,
        "warnings": [warning.as_json() for warning in warnings],
        "resources": list(queued[key].hashes) if key in queued else [],
    }
    time = made.timeline.time_of(event)
    return NewEvent(
        event, new.read.content_hash, answer, submission.receipt.actor, time.stamped_at, time.order_at
    ), answer


def _warning_detail(warning: Problem) -> dict[str, str]:
    """Return what the log says of a warning: its code, its place and its rule, never a value."""
    detail = {"code": warning.code.facts.code, "pointer": warning.pointer}
    return detail | {"rule": warning.rule} if warning.rule else detail


def _add_devices(tx: Transaction, stages: Stages, device_ids: set[str], receipt: Receipt) -> None:
    """Keep devices that an event names for the first time, so that their resources are there to refer to."""
    for device_id in sorted(device_ids):
        keep_device(tx, StoredDevice.named_only(device_id), receipt.stamp)
        made = make_device(stages, device_id, {}, receipt)
        queue_and_log(tx, owned_by_device(device_id), by_record(made), receipt)
