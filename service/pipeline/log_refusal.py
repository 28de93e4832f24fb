"""Keeps what was refused, so that nothing a client sent is lost."""

from __future__ import annotations

from collections.abc import Sequence

from service.audit.append_entry import Action, Happening, append_entry
from service.pipeline.stages import Refusal
from service.problems import Problem
from service.records.receipts import Receipt
from service.storage.statements import Transaction


def log_refusal(
    tx: Transaction,
    receipt: Receipt,
    subject: str,
    problems: Sequence[Problem],
    body: bytes,
    case_id: str | None = None,
) -> Refusal:
    """Log a refusal with its problems, keep the body beside it, and return it."""
    detail = {
        "problems": [
            {"code": problem.code.facts.code, "pointer": problem.pointer, "message": problem.message}
            | ({"rule": problem.rule} if problem.rule else {})
            for problem in problems
        ]
    }
    happening = Happening(Action.REFUSED, subject, problems[0].code.facts.kind.value, case_id, detail)
    append_entry(tx, receipt, happening, refused_body=body)
    return Refusal(tuple(problems))
