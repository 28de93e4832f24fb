"""Routes of events: post one or many, correct one, mark one as entered in error."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Request
from starlette.responses import Response

from service.exact_json import write_json
from service.intake.read_record import ReadRecord, read_event
from service.problems import Code, Problem, ServiceProblem
from service.records.receipts import Receipt
from service.records.record_keys import UNKNOWN_ID, event_key
from service.taking.change_event import correct_event, retract_event
from service.taking.submissions import Outcome, Refusal, Submission
from service.taking.take_events import SentEvent, take_events
from service.vocabulary.load_vocabulary import Vocabulary
from service.web.answers import json_answer, problem_answer
from service.web.requests import (
    ExpectedVersion,
    Reason,
    Recorder,
    RecordId,
    RefusedBodyError,
    parts_of,
    read_json_body,
    subject_of,
)
from service.web.take_requests import change, count_outcome

router = APIRouter(tags=["events"])

MOST_EVENTS = 500


def _read(value: Any, vocabulary: Vocabulary) -> ReadRecord | ServiceProblem:
    try:
        return read_event(value, vocabulary)
    except ServiceProblem as problem:
        return problem


def _sent(case_id: str, value: Any, body: bytes, vocabulary: Vocabulary, receipt: Receipt) -> SentEvent:
    read = _read(value, vocabulary)
    event_id = read.content["id"] if isinstance(read, ReadRecord) else UNKNOWN_ID
    return SentEvent(Submission(receipt, event_key(case_id, event_id), body, case_id), read)


def _outcome_body(outcome: Outcome, number: int, value: Any) -> dict[str, Any]:
    if isinstance(outcome, Refusal):
        event_id = value.get("id") if isinstance(value, dict) else None
        problems = [problem.below(f"/{number}").as_json() for problem in outcome.problems]
        return {"id": event_id, "outcome": "rejected", "problems": problems}
    return {**outcome.body, "problems": []}


@router.post("/cases/{case_id}/events", summary="Post one event, or an array of events", status_code=201)
async def post_events(request: Request, case_id: RecordId, caller: Recorder) -> Response:
    """Take one event (201) or up to 500 (207, one outcome per item). The same event again is a `duplicate`."""
    parts = parts_of(request)
    body, value = await read_json_body(request)
    is_array = isinstance(value, list)
    if is_array and len(value) > MOST_EVENTS:
        problem = Problem(Code.TOO_MANY_EVENTS, "", "the array holds too many events", f"at most {MOST_EVENTS}")
        raise RefusedBodyError([problem], body)
    items = [(item, write_json(item)) for item in value] if is_array else [(value, body)]
    sent = [_sent(case_id, item, own, parts.stages.vocabulary, caller) for item, own in items]
    if is_array:
        outcomes = await parts.store.write(lambda tx: take_events(tx, parts.stages, case_id, sent), is_long=True)
    else:
        outcomes = [await parts.store.write_jointly(parts.take_posted, (case_id, sent[0]))]
    for one, outcome in zip(sent, outcomes, strict=True):
        count_outcome(one.submission.subject, outcome)
    first = outcomes[0] if outcomes else None
    if isinstance(first, Refusal) and (not is_array or first.problems[0].code is Code.UNKNOWN_CASE):
        return problem_answer(first.problems)
    if not is_array and first is not None and not isinstance(first, Refusal):
        return json_answer(first.body, first.status)
    bodies = [_outcome_body(outcome, number, items[number][0]) for number, outcome in enumerate(outcomes)]
    return json_answer({"outcomes": bodies}, 207)


@router.put("/cases/{case_id}/events/{event_id}", summary="Correct an event")
async def put_event(
    request: Request,
    case_id: RecordId,
    event_id: RecordId,
    reason: Reason,
    caller: Recorder,
    expected: ExpectedVersion = None,
) -> Response:
    """Keep a new version of an event. Every older version stays in the store."""
    stages = parts_of(request).stages
    body, value = await read_json_body(request)
    submission = Submission(caller, subject_of(request), body, case_id, expected, reason)
    sent = SentEvent(submission, _read(value, stages.vocabulary))
    return await change(request, submission, lambda tx: correct_event(tx, stages, case_id, event_id, sent))


@router.delete("/cases/{case_id}/events/{event_id}", summary="Mark an event as entered in error")
async def delete_event(
    request: Request,
    case_id: RecordId,
    event_id: RecordId,
    reason: Reason,
    caller: Recorder,
    expected: ExpectedVersion = None,
) -> Response:
    """Mark an event as entered in error, here and at the destination. Nothing is erased."""
    stages = parts_of(request).stages
    submission = Submission(caller, subject_of(request), b"", case_id, expected, reason)
    return await change(request, submission, lambda tx: retract_event(tx, stages, case_id, event_id, submission))
