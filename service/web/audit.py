"""Routes for the auditor: the log, what is missing over many cases, the newest seal. Every read is logged."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from fastapi import APIRouter, Path, Query, Request
from pydantic import BaseModel, ConfigDict, Field
from starlette.responses import Response

from service.audit.append_entry import Action, Happening, append_entry
from service.problems import Code, refusal_for
from service.reading.read_case import read_gap_groups, read_gaps_of_cases
from service.reading.read_log import read_entries, read_seal
from service.records.instants import is_instant, parse_instant, stamp
from service.records.receipts import Receipt
from service.storage.audit_entries import EntryFilter, refused_body
from service.web.answers import json_answer
from service.web.requests import MOST_NUMBER, Auditor, Parts, parts_of

router = APIRouter(prefix="/audit", tags=["audit"])

Word = Annotated[str | None, Field(max_length=200)]


async def _log_read(parts: Parts, receipt: Receipt, what: str, asked: dict[str, Any]) -> None:
    detail = {name: value for name, value in asked.items() if value is not None}
    await parts.store.write(
        lambda tx: append_entry(tx, receipt, Happening(Action.AUDIT_READ, what, "answered", None, detail))
    )


def _moment(name: str, text: str | None) -> str | None:
    if text is None:
        return None
    if not is_instant(text):
        expected = "a time with offset, such as 2031-03-02T10:02:05+01:00 (write + as %2B)"
        raise refusal_for(Code.WRONG_PARAMETER, "", f"{name!r} is not a time", expected)
    return stamp(parse_instant(text))


class EntriesQuery(BaseModel):
    """What may be asked of the log; what is left out does not restrict."""

    model_config = ConfigDict(extra="forbid")

    case_id: Word = None
    action: Word = None
    outcome: Word = None
    actor: Word = None
    subject: Word = None
    since: Word = None
    until: Word = None
    after: Annotated[int, Field(ge=0, le=MOST_NUMBER)] = 0
    limit: Annotated[int, Field(ge=1, le=1000)] = 100


@router.get("/entries", summary="Read the audit log")
async def get_entries(request: Request, asked: Annotated[EntriesQuery, Query()], caller: Auditor) -> Response:
    """Return a page of entries in their order, filtered; `next` in the answer is the `after` of the next page."""
    parts = parts_of(request)
    wanted = EntryFilter(
        case_id=asked.case_id,
        action=asked.action,
        outcome=asked.outcome,
        actor=asked.actor,
        subject=asked.subject,
        since=_moment("since", asked.since),
        until=_moment("until", asked.until),
    )
    body = await parts.store.read(lambda tx: read_entries(tx, wanted, asked.after, asked.limit))
    await _log_read(parts, caller, "audit/entries", asked.model_dump())
    return json_answer(body)


@router.get("/entries/{number}/received", summary="Read a body that was refused")
async def get_received(
    request: Request, number: Annotated[int, Path(ge=0, le=MOST_NUMBER)], caller: Auditor
) -> Response:
    """Return the body that was refused, byte for byte as it was sent."""
    parts = parts_of(request)
    body = await parts.store.read(lambda tx: refused_body(tx, number))
    await _log_read(parts, caller, "audit/received", {"number": number})
    if body is None:
        raise refusal_for(
            Code.UNKNOWN_ENTRY,
            "",
            "no refused body is kept for this number",
            "the number of an entry whose action is `refused`",
        )
    return Response(body, media_type="application/octet-stream")


@router.get("/gaps", summary="Read what is missing over many cases")
async def get_gaps(
    request: Request,
    caller: Auditor,
    group_by: Literal["element"] | None = None,
    after: Annotated[str, Query(max_length=64)] = "",
    limit: Annotated[int, Query(ge=1, le=500)] = 100,
) -> Response:
    """Return the gaps of a page of cases; with `group_by=element`, how often each is missing in all cases."""
    parts = parts_of(request)
    if group_by is not None:
        body = await parts.store.read(lambda tx: read_gap_groups(tx, parts.stages))
    else:
        body = await parts.store.read(lambda tx: read_gaps_of_cases(tx, parts.stages, after, limit))
    await _log_read(parts, caller, "audit/gaps", {"group_by": group_by, "after": after})
    return json_answer(body)


@router.get("/seal", summary="Read the newest seal")
async def get_seal(request: Request, caller: Auditor) -> Response:
    """Return number and hash of the newest entry; kept elsewhere, they prove later that the log was not changed."""
    parts = parts_of(request)
    body = await parts.store.read(read_seal)
    await _log_read(parts, caller, "audit/seal", {})
    return json_answer(body)
