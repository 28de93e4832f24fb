"""Routes of cases: open, amend, read."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from service.intake.read_record import read_record
from service.reading.explain_case import explain_fhir
from service.reading.read_case import read_case, read_cases, read_fhir, read_gaps, read_timeline
from service.taking.take_case import take_case
from service.web.answers import json_answer, version_header
from service.web.requests import Anyone, ExpectedVersion, Recorder, RecordId, parts_of
from service.web.take_requests import take_record

router = APIRouter(tags=["cases"])


@router.put("/cases/{case_id}", summary="Open or amend a case", status_code=201)
async def put_case(
    request: Request, case_id: RecordId, caller: Recorder, expected: ExpectedVersion = None
) -> Response:
    """Open a case (201) or amend it (200). The same content again changes nothing."""
    shape = parts_of(request).stages.vocabulary.case
    return await take_record(
        request,
        caller,
        lambda value: read_record(value, shape),
        lambda tx, stages, read, submission: take_case(tx, stages, case_id, read, submission),
        case_id=case_id,
        expected=expected,
    )


@router.get("/cases", summary="List the cases")
async def get_cases(
    request: Request,
    _: Anyone,
    after: Annotated[str, Query(max_length=64)] = "",
    limit: Annotated[int, Query(ge=1, le=500)] = 100,
) -> Response:
    """Return a page of cases in the order of their ids; `next` in the answer is the `after` of the next page."""
    return json_answer(await parts_of(request).store.read(lambda tx: read_cases(tx, after, limit)))


@router.get("/cases/{case_id}", summary="Read a case")
async def get_case(request: Request, case_id: str, _: Anyone) -> Response:
    """Return a case with the number of its events and the state of its deliveries."""
    case = await parts_of(request).store.read(lambda tx: read_case(tx, case_id))
    return json_answer(case, headers=version_header(case))


@router.get("/cases/{case_id}/timeline", summary="Read the timeline of a case")
async def get_timeline(request: Request, case_id: str, _: Anyone) -> Response:
    """Return the events in the order of their corrected times, each with its uncertainty and findings."""
    parts = parts_of(request)
    return json_answer(await parts.store.read(lambda tx: read_timeline(tx, parts.stages, case_id)))


@router.get("/cases/{case_id}/gaps", summary="Read what is missing in a case")
async def get_gaps(request: Request, case_id: str, _: Anyone) -> Response:
    """Return the fields that the completeness rules ask for and that are missing, each with a question."""
    parts = parts_of(request)
    return json_answer(await parts.store.read(lambda tx: read_gaps(tx, parts.stages, case_id)))


_FHIR_ANSWER: dict[int | str, dict[str, Any]] = {
    200: {
        "description": "The Bundle; with `explain`, an object with the Bundle and its explanation.",
        "content": {
            "application/json": {
                "schema": {
                    "anyOf": [
                        {"type": "object", "description": "A FHIR R4 Bundle of the type collection."},
                        {
                            "type": "object",
                            "required": ["bundle", "explanation"],
                            "properties": {
                                "bundle": {"type": "object"},
                                "explanation": {"type": "array", "items": {"type": "object"}},
                            },
                        },
                    ]
                }
            }
        },
    }
}


@router.get("/cases/{case_id}/fhir", summary="Read the FHIR resources of a case", responses=_FHIR_ANSWER)
async def get_fhir(
    request: Request,
    case_id: str,
    _: Anyone,
    *,
    explain: Annotated[
        bool,
        Query(
            description="Say for each element which field of the event and which line of the mapping made it."
            " The answer is then an object with `bundle` and `explanation`."
        ),
    ] = False,
) -> Response:
    """Return the case's resources as a Bundle; with `explain`, an object with `bundle` and `explanation`."""
    parts = parts_of(request)
    if explain:
        return json_answer(await parts.store.read(lambda tx: explain_fhir(tx, parts.stages, case_id)))
    return json_answer(await parts.store.read(lambda tx: read_fhir(tx, case_id)))
