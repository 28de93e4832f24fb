"""The part of every writing route that is the same: read the body, run the unit of work, answer."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from fastapi import Request
from starlette.responses import Response

from service import metrics
from service.intake.read_record import ReadRecord
from service.making.stages import Stages
from service.problems import ServiceProblem
from service.records.receipts import Receipt
from service.records.record_keys import word_of
from service.storage.statements import Transaction
from service.taking.submissions import Outcome, Refusal, Submission, Taken, keep_refusal, take_or_refuse
from service.web.answers import json_answer, problem_answer, version_header
from service.web.requests import Parts, RefusedBodyError, parts_of, read_json_body, subject_of

Read = Callable[[Any], ReadRecord]
Take = Callable[[Transaction, Stages, ReadRecord, Submission], Taken]


def count_outcome(subject: str, outcome: Outcome) -> None:
    """Count what became of a request."""
    word = "refused" if isinstance(outcome, Refusal) else "duplicate" if outcome.is_repeat else "accepted"
    metrics.taken.labels(word_of(subject), word).inc()


async def log_and_answer(parts: Parts, submission: Submission, refused: ServiceProblem) -> Response:
    """Keep a refusal with what was sent, and answer it."""
    outcome = await parts.store.write(lambda tx: keep_refusal(tx, submission, refused))
    count_outcome(submission.subject, outcome)
    return problem_answer(refused.problems)


def answer_of(outcome: Outcome) -> Response:
    """Return the response of a call that took or changed a record; ETag gives its version where it has one."""
    if isinstance(outcome, Refusal):
        return problem_answer(outcome.problems)
    return json_answer(outcome.body, outcome.status, version_header(outcome.body))


async def change(request: Request, submission: Submission, take: Callable[[Transaction], Taken]) -> Response:
    """Run a unit of work that may refuse, keep the refusal where it does, and answer."""
    outcome = await parts_of(request).store.write(
        lambda tx: take_or_refuse(tx, submission, lambda: take(tx)), is_long=True
    )
    count_outcome(submission.subject, outcome)
    return answer_of(outcome)


async def take_record(
    request: Request,
    receipt: Receipt,
    read: Read,
    take: Take,
    *,
    case_id: str | None = None,
    expected: int | None = None,
) -> Response:
    """Read one record from the body, have it taken, and answer; whatever is refused is kept."""
    body, value = await read_json_body(request)
    try:
        record = read(value)
    except ServiceProblem as problem:
        raise RefusedBodyError(problem.problems, body) from problem
    submission = Submission(receipt, subject_of(request), body, case_id, expected)
    stages = parts_of(request).stages
    return await change(request, submission, lambda tx: take(tx, stages, record, submission))
