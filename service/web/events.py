"""Routes of events: post one or many, correct one, mark one as entered in error."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from service.exact_json import write_json
from service.intake.read_record import read_event
from service.pipeline.stages import Answer, Refusal
from service.pipeline.take_event import SentEvent, correct_event, retract_event, take_events
from service.problems import Code, Problem, ServiceProblem
from service.vocabulary.load_vocabulary import Vocabulary
from service.web.answers import json_answer, problem_answer
from service.web.authenticate import Scope
from service.web.requests import ExpectedVersion, RecordId, RefusedBodyError, identify, parts_of, read_json_body
from service.web.take_requests import answer_of, count_answer, log_and_refuse

router = APIRouter(tags=["events"])

MOST_EVENTS = 500

Reason = Annotated[
    str, Query(min_length=1, max_length=500, description="The reason; it is written to the audit log.")
]


def _sent(value: Any, body: bytes, vocabulary: Vocabulary) -> SentEvent:
    try:
        return SentEvent(read_event(value, vocabulary), (), body)
    except ServiceProblem as problem:
        return SentEvent(None, problem.problems, body)


def _outcome(answer: Answer, number: int, value: Any) -> dict[str, Any]:
    if isinstance(answer, Refusal):
        event_id = value.get("id") if isinstance(value, dict) else None
        problems = [problem.below(f"/{number}").as_json() for problem in answer.problems]
        return {"id": event_id, "outcome": "rejected", "problems": problems}
    return {**answer.body, "problems": []}


@router.post("/cases/{case_id}/events", summary="Post one event, or an array of events", status_code=201)
async def post_events(request: Request, case_id: RecordId) -> Response:
    """Take one event (201) or up to 500 (207, one outcome per item). The same event again is a `duplicate`."""
    subject = f"event:{case_id}/?"
    receipt = await identify(request, subject, Scope.RECORD)
    parts = parts_of(request)
    try:
        body, value = await read_json_body(request)
    except RefusedBodyError as refused:
        return await log_and_refuse(parts, receipt, subject, [refused.problem], refused.body)
    vocabulary = parts.stages.vocabulary
    if not isinstance(value, list):
        sent = [_sent(value, body, vocabulary)]
        (answer,) = await parts.store.write(lambda tx: take_events(tx, parts.stages, case_id, sent, receipt))
        count_answer("event", answer)
        return (
            problem_answer(answer.problems)
            if isinstance(answer, Refusal)
            else json_answer(answer.body, answer.status)
        )
    if len(value) > MOST_EVENTS:
        problem = Problem(Code.TOO_MANY_EVENTS, "", "the array holds too many events", f"at most {MOST_EVENTS}")
        return await log_and_refuse(parts, receipt, subject, [problem], body)
    many = [_sent(item, write_json(item), vocabulary) for item in value]
    answers = await parts.store.write(
        lambda tx: take_events(tx, parts.stages, case_id, many, receipt), is_long=True
    )
    for answer in answers:
        count_answer("event", answer)
    if _is_unknown_case(answers):
        return problem_answer(answers[0].problems if isinstance(answers[0], Refusal) else ())
    outcomes = [
        _outcome(answer, number, item) for number, (item, answer) in enumerate(zip(value, answers, strict=True))
    ]
    return json_answer({"outcomes": outcomes}, 207)


def _is_unknown_case(answers: Sequence[Answer]) -> bool:
    first = answers[0] if answers else None
    return isinstance(first, Refusal) and first.problems[0].code is Code.UNKNOWN_CASE


@router.put("/cases/{case_id}/events/{event_id}", summary="Correct an event")
async def put_event(
    request: Request, case_id: RecordId, event_id: RecordId, reason: Reason, expected: ExpectedVersion = None
) -> Response:
    """Keep a new version of an event. Every older version stays in the store."""
    subject = f"event:{case_id}/{event_id}"
    receipt = await identify(request, subject, Scope.RECORD)
    parts = parts_of(request)
    try:
        body, value = await read_json_body(request)
    except RefusedBodyError as refused:
        return await log_and_refuse(parts, receipt, subject, [refused.problem], refused.body)
    sent = _sent(value, body, parts.stages.vocabulary)
    answer = await parts.store.write(
        lambda tx: correct_event(
            tx, parts.stages, case_id, event_id, sent, receipt, reason=reason, expected=expected
        ),
        is_long=True,
    )
    count_answer("event", answer)
    return answer_of(answer)


@router.delete("/cases/{case_id}/events/{event_id}", summary="Mark an event as entered in error")
async def delete_event(
    request: Request, case_id: RecordId, event_id: RecordId, reason: Reason, expected: ExpectedVersion = None
) -> Response:
    """Mark an event as entered in error, here and at the destination. Nothing is erased."""
    subject = f"event:{case_id}/{event_id}"
    receipt = await identify(request, subject, Scope.RECORD)
    parts = parts_of(request)
    answer = await parts.store.write(
        lambda tx: retract_event(tx, parts.stages, case_id, event_id, receipt, reason=reason, expected=expected),
        is_long=True,
    )
    count_answer("event", answer)
    return answer_of(answer)
