"""The part of every writing route that is the same: read the body, run the unit of work, answer."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from fastapi import Request
from starlette.responses import Response

from service import metrics
from service.intake.read_record import ReadRecord
from service.pipeline.log_refusal import log_refusal
from service.pipeline.stages import Answer, Refusal, Stages
from service.problems import Problem, ServiceProblem
from service.records.receipts import Receipt
from service.storage.statements import Transaction
from service.web.answers import json_answer, problem_answer, version_header
from service.web.requests import Parts, RefusedBodyError, parts_of, read_json_body

Read = Callable[[Any], ReadRecord]
Take = Callable[[Transaction, Stages, ReadRecord, Receipt, bytes], Answer]


def count_answer(record: str, answer: Answer) -> None:
    """Count what became of a request."""
    outcome = "refused" if isinstance(answer, Refusal) else "duplicate" if answer.repeated else "accepted"
    metrics.taken.labels(record, outcome).inc()


async def log_and_refuse(
    parts: Parts, receipt: Receipt, subject: str, problems: list[Problem], body: bytes
) -> Response:
    """Keep a refusal with what was sent, and answer it."""
    await parts.store.write(lambda tx: log_refusal(tx, receipt, subject, problems, body))
    metrics.taken.labels(subject.partition(":")[0], "refused").inc()
    return problem_answer(problems)


def answer_of(answer: Answer) -> Response:
    """Return the response of a call that took or changed a record; ETag gives its version where it has one."""
    if isinstance(answer, Refusal):
        return problem_answer(answer.problems)
    return json_answer(answer.body, answer.status, version_header(answer.body))


async def take_record(request: Request, receipt: Receipt, subject: str, read: Read, take: Take) -> Response:
    """Read one record from the body, have it taken, and answer; whatever is refused is kept."""
    parts = parts_of(request)
    try:
        body, value = await read_json_body(request)
    except RefusedBodyError as refused:
        return await log_and_refuse(parts, receipt, subject, [refused.problem], refused.body)
    try:
        record = read(value)
    except ServiceProblem as problem:
        return await log_and_refuse(parts, receipt, subject, list(problem.problems), body)
    answer = await parts.store.write(lambda tx: take(tx, parts.stages, record, receipt, body), is_long=True)
    count_answer(subject.partition(":")[0], answer)
    return answer_of(answer)
