"""Routes for the integration engineer: preview, deliveries, destination."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Path, Query, Request
from starlette.responses import Response

from service.making.preview import preview
from service.outbox.settle_held import discard_delivery, retry_delivery, retry_held
from service.problems import Rejected
from service.reading.read_deliveries import read_deliveries, read_delivery
from service.reading.trace_concerns import trace_concerns
from service.records.receipts import Receipt
from service.storage.statements import Transaction
from service.taking.submissions import Submission, Taken
from service.web.answers import json_answer
from service.web.requests import (
    MOST_NUMBER,
    Integrator,
    IntegratorOrAuditor,
    Reason,
    RecorderOrIntegrator,
    RefusedBodyError,
    parts_of,
    read_json_body,
    subject_of,
)
from service.web.take_requests import change

router = APIRouter(tags=["integration"])

State = Literal["waiting", "delivered", "held", "discarded", "left-out"]

DeliveryId = Annotated[int, Path(ge=0, le=MOST_NUMBER)]


@router.post("/preview", summary="Map and check; nothing is kept")
async def post_preview(request: Request, _: RecorderOrIntegrator) -> Response:
    """Return the FHIR resources that a case or an event would become, and what the checks find in them."""
    parts = parts_of(request)
    try:
        value = (await read_json_body(request))[1]
    except RefusedBodyError as refused:
        # What is tried only is not kept.
        raise Rejected(refused.problems) from refused
    return json_answer(preview(parts.stages, value, parts.clock()))


@router.get("/deliveries", summary="Read the outbox")
async def get_deliveries(
    request: Request,
    _: IntegratorOrAuditor,
    state: State | None = None,
    case_id: Annotated[str | None, Query(max_length=64)] = None,
    after: Annotated[int, Query(ge=0, le=MOST_NUMBER)] = 0,
    limit: Annotated[int, Query(ge=1, le=500)] = 100,
) -> Response:
    """Return a page of deliveries, oldest first; a held one has the server's OperationOutcome."""
    parts = parts_of(request)

    def read(tx: Transaction) -> dict[str, Any]:
        page = read_deliveries(tx, state, case_id, after, limit)
        trace_concerns(tx, parts.stages, page["deliveries"])
        return page

    return json_answer(await parts.store.read(read))


async def _settle(
    request: Request, caller: Receipt, delivery_id: int, settle: Callable[[Transaction], None]
) -> Response:
    """Have a held delivery settled, and answer with what it is now."""

    def take(tx: Transaction) -> Taken:
        settle(tx)
        return Taken(200, read_delivery(tx, delivery_id))

    return await change(request, Submission(caller, subject_of(request)), take)


@router.post("/deliveries/retry", summary="Send held deliveries again")
async def post_retry_all(
    request: Request,
    caller: Integrator,
    case_id: Annotated[str | None, Query(max_length=64)] = None,
    state: Literal["held"] = "held",  # noqa: ARG001 - it says what is retried; nothing else can be.
) -> Response:
    """Put up to 500 held deliveries, of one case or of all, back into the queue; `remaining`: more are held."""
    store = parts_of(request).store
    numbers, remaining = await store.write(lambda tx: retry_held(tx, case_id, caller), is_long=True)
    return json_answer({"retried": numbers, "remaining": remaining})


@router.post("/deliveries/{delivery_id}/retry", summary="Send a held delivery again")
async def post_retry(request: Request, delivery_id: DeliveryId, caller: Integrator) -> Response:
    """Put a held delivery back into the queue."""
    return await _settle(request, caller, delivery_id, lambda tx: retry_delivery(tx, delivery_id, caller))


@router.post("/deliveries/{delivery_id}/discard", summary="Give up a held delivery")
async def post_discard(request: Request, delivery_id: DeliveryId, reason: Reason, caller: Integrator) -> Response:
    """Give up a held delivery for ever, with the reason. Deliveries that cannot go without it are also held."""
    return await _settle(request, caller, delivery_id, lambda tx: discard_delivery(tx, delivery_id, reason, caller))


@router.get("/destination", summary="Read what the FHIR server can do")
async def get_destination(request: Request, _: IntegratorOrAuditor) -> Response:
    """Return what the destination says it can do, what of it is needed, and whether it can be used."""
    state = parts_of(request).destination
    if state is None:
        return json_answer({"usable": False, "problem": "this process does not deliver; ask a process that does"})
    return json_answer(state.as_json())
