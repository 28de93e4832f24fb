"""Routes for the integration engineer: preview, deliveries, destination."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from service.exact_json import read_json
from service.pipeline.preview import preview
from service.problems import Code, Rejected, refuse
from service.storage.deliveries import Delivery, find_delivery, page_of_deliveries
from service.web.answers import json_answer
from service.web.authenticate import Scope
from service.web.requests import RefusedBodyError, identify, parts_of, read_json_body
from service.worker import retry_delivery

router = APIRouter(tags=["integration"])

State = Literal["waiting", "delivered", "held"]


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


def delivery_body(delivery: Delivery) -> dict[str, Any]:
    """Return a delivery as the API shows it."""
    return {
        "id": delivery.delivery_id,
        "case_id": delivery.case_id,
        "device_id": delivery.device_id,
        "record": delivery.record,
        "state": delivery.state,
        "attempts": delivery.attempts,
        "next_attempt_at": delivery.next_attempt_at if delivery.state == "waiting" else None,
        "resources": delivery.entries,
        "last_error": delivery.last_error,
        "outcome": read_json(delivery.outcome.encode()) if delivery.outcome else None,
    }


@router.get("/deliveries", summary="Read the outbox")
async def get_deliveries(
    request: Request,
    state: State | None = None,
    case_id: Annotated[str | None, Query(max_length=64)] = None,
    after: Annotated[int, Query(ge=0)] = 0,
    limit: Annotated[int, Query(ge=1, le=500)] = 100,
) -> Response:
    """Return a page of deliveries, oldest first; held ones with the server's OperationOutcome."""
    await identify(request, "deliveries", Scope.INTEGRATE, Scope.AUDIT)
    store = parts_of(request).store
    page = await store.read(lambda tx: page_of_deliveries(tx, state, case_id, after, limit + 1))
    body: dict[str, Any] = {"deliveries": [delivery_body(delivery) for delivery in page[:limit]]}
    if len(page) > limit:
        body["next"] = page[limit - 1].delivery_id
    return json_answer(body)


@router.post("/deliveries/{delivery_id}/retry", summary="Have a held delivery sent again")
async def post_retry(request: Request, delivery_id: int) -> Response:
    """Put a held delivery back into the queue."""
    receipt = await identify(request, f"delivery:{delivery_id}", Scope.INTEGRATE)
    store = parts_of(request).store
    match await store.write(lambda tx: retry_delivery(tx, delivery_id, receipt)):
        case "unknown":
            raise refuse(Code.UNKNOWN_DELIVERY, "", "there is no delivery of this id", "an id from /v1/deliveries")
        case "not-held":
            raise refuse(Code.NOT_HELD, "", "the delivery is not held", "a delivery in the state held")
    delivery = await store.read(lambda tx: find_delivery(tx, delivery_id))
    return json_answer(delivery_body(delivery) if delivery else {})


@router.get("/destination", summary="Read what the FHIR server can do")
async def get_destination(request: Request) -> Response:
    """Return what the destination says it can do, what of it is needed, and whether it can be used."""
    await identify(request, "destination", Scope.INTEGRATE, Scope.AUDIT)
    state = parts_of(request).destination()
    if state is None:
        return json_answer({"usable": False, "problem": "this process does not deliver; ask the one that does"})
    return json_answer(state.as_json())
