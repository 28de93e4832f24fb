"""What a client hands in, what becomes of it, and the one place where a refusal is kept."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from service.audit.append_entry import Action, Happening, append_entry
from service.problems import Code, Problem, ServiceProblem, refusal_for
from service.records.receipts import Receipt
from service.storage.statements import Transaction


@dataclass(frozen=True, slots=True)
class Submission:
    """One record as a client handed it in.

    `subject` is the key of the record that it concerns, `body` the bytes that were sent. `expected` is the version
    that the client has changed, where it says so; `reason` says why it changes a record.
    """

    receipt: Receipt
    subject: str
    body: bytes = b""
    case_id: str | None = None
    expected: int | None = None
    reason: str | None = None


@dataclass(frozen=True, slots=True)
class Taken:
    """The request was done; `body` is the answer. `is_repeat` says that it had been done before."""

    status: int
    body: Mapping[str, Any]
    is_repeat: bool = False


@dataclass(frozen=True, slots=True)
class Refusal:
    """The request was refused, and the refusal is in the audit log with all problems."""

    problems: tuple[Problem, ...]


Outcome = Taken | Refusal


def take_or_refuse(tx: Transaction, submission: Submission, take: Callable[[], Taken]) -> Outcome:
    """Return what `take` returns; where it refuses, log that, keep what was sent, and return the refusal.

    `take` refuses by raising a ServiceProblem before it has written anything.
    """
    try:
        return take()
    except ServiceProblem as refused:
        return keep_refusal(tx, submission, refused)


def keep_refusal(tx: Transaction, submission: Submission, refused: ServiceProblem) -> Refusal:
    """Log a refusal with its problems, keep beside it what was sent, and return it."""
    problems = refused.problems
    detail = {
        "problems": [
            {"code": problem.code.facts.code, "pointer": problem.pointer, "message": problem.message}
            | ({"rule": problem.rule} if problem.rule else {})
            for problem in problems
        ]
    }
    kind = problems[0].code.facts.kind.value
    happening = Happening(Action.REFUSED, submission.subject, kind, submission.case_id, detail)
    append_entry(tx, submission.receipt, happening, refused_body=submission.body)
    return Refusal(problems)


def log_repeat(tx: Transaction, submission: Submission) -> None:
    """Log that the same content was sent again."""
    happening = Happening(Action.DUPLICATE, submission.subject, "duplicate", submission.case_id)
    append_entry(tx, submission.receipt, happening)


def require_version(submission: Submission, newest: int) -> None:
    """Refuse a change that was made to another version than the newest; `newest` is 0 where there is none yet.

    A client that says nothing of versions is never refused. Whether the content is the same again is to be asked
    before, so that a call that is repeated finds what it has done itself.
    """
    if submission.expected is not None and submission.expected != newest:
        message = f"the newest version is {newest}" if newest else "there is no version of it yet"
        raise refusal_for(Code.STALE_VERSION, "", message, "read the newest version, then send its number")
