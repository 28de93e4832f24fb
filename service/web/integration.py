"""Routes for the integration engineer: preview, deliveries, destination."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from fastapi import APIRouter, Path, Query, Request
from starlette.responses import Response

from service.pipeline.preview import preview
from service.pipeline.read_deliveries import read_deliveries
from service.pipeline.settle_held import discard_delivery, retry_delivery, retry_held
from service.pipeline.stages import Answer, Refusal
from service.pipeline.trace_concerns import trace_concerns
from service.problems import Rejected
from service.storage.statements import Transaction
from service.web.answers import json_answer, problem_answer
from service.web.authenticate import Scope
from service.web.requests import MOST_NUMBER, RefusedBodyError, identify, parts_of, read_json_body

router = APIRouter(tags=["integration"])

State = Literal["waiting", "delivered", "held", "discarded", "left-out"]


@router.post("/preview", summary="Map and check without keeping anything")
async def post_preview(request: Request) -> Response:
    """Return the FHIR resources that a case or an event would make, and what the checks find in them."""
    await identify(request, "preview", Scope.RECORD, Scope.INTEGRATE)
    parts = parts_of(request)
    try:
        _, value = await read_json_body(request)
    except RefusedBodyError as refused:
        raise Rejected([refused.problem]) from refused
    return json_answer(preview(parts.stages, value, parts.clock()))


@router.get("/deliveries", summary="Read the outbox")
async def get_deliveries(
    request: Request,
    state: State | None = None,
    case_id: Annotated[str | None, Query(max_length=64)] = None,
    after: Annotated[int, Query(ge=0, le=MOST_NUMBER)] = 0,
    limit: Annotated[int, Query(ge=1, le=500)] = 100,
) -> Response:
    """Return a page of deliveries, oldest first; held ones with the server's OperationOutcome."""
    await identify(request, "deliveries", Scope.INTEGRATE, Scope.AUDIT)
    parts = parts_of(request)

    def read(tx: Transaction) -> dict[str, Any]:
        page = read_deliveries(tx, state, case_id, after, limit)
        trace_concerns(tx, parts.stages, page["deliveries"])
        return page

    return json_answer(await parts.store.read(read))


def _answered(answer: Answer) -> Response:
    if isinstance(answer, Refusal):
        return problem_answer(answer.problems)
    return json_answer(answer.body, answer.status)


@router.post("/deliveries/retry", summary="Have held deliveries sent again")
async def post_retry_all(
    request: Request,
    case_id: Annotated[str | None, Query(max_length=64)] = None,
    state: Literal["held"] = "held",  # noqa: ARG001 - it says what is retried; nothing else can be.
) -> Response:
    """Put up to 500 held deliveries, of a case or of all, back into the queue; `remaining` says if more are."""
    receipt = await identify(request, "deliveries", Scope.INTEGRATE)
    store = parts_of(request).store
    return _answered(await store.write(lambda tx: retry_held(tx, case_id, receipt), is_long=True))


@router.post("/deliveries/{delivery_id}/retry", summary="Have a held delivery sent again")
async def post_retry(request: Request, delivery_id: Annotated[int, Path(ge=0, le=MOST_NUMBER)]) -> Response:
    """Put a held delivery back into the queue."""
    receipt = await identify(request, f"delivery:{delivery_id}", Scope.INTEGRATE)
    store = parts_of(request).store
    return _answered(await store.write(lambda tx: retry_delivery(tx, delivery_id, receipt)))


@router.post("/deliveries/{delivery_id}/discard", summary="Give up a held delivery")
async def post_discard(
    request: Request,
    delivery_id: Annotated[int, Path(ge=0, le=MOST_NUMBER)],
    reason: Annotated[str, Query(min_length=1, max_length=500, description="Why; it goes into the audit log.")],
) -> Response:
    """Give up a held delivery for good, with the reason; what cannot stand without it is held in its turn."""
    receipt = await identify(request, f"delivery:{delivery_id}", Scope.INTEGRATE)
    store = parts_of(request).store
    return _answered(await store.write(lambda tx: discard_delivery(tx, delivery_id, reason, receipt), is_long=True))


@router.get("/destination", summary="Read what the FHIR server can do")
async def get_destination(request: Request) -> Response:
    """Return what the destination says it can do, what of it is needed, and whether it can be used."""
    await identify(request, "destination", Scope.INTEGRATE, Scope.AUDIT)
    state = parts_of(request).destination
    if state is None:
        return json_answer({"usable": False, "problem": "this process does not deliver; ask the one that does"})
    return json_answer(state.as_json())
