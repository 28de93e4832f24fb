"""Routes of devices: register, post a check, read the readiness of all devices."""

from __future__ import annotations

from fastapi import APIRouter, Request
from starlette.responses import Response

from service.intake.read_check import read_check
from service.intake.read_record import read_record
from service.reading.read_devices import read_devices
from service.taking.take_check import take_check
from service.taking.take_device import take_device
from service.web.answers import json_answer
from service.web.requests import Anyone, ExpectedVersion, Recorder, RecordId, parts_of
from service.web.take_requests import take_record

router = APIRouter(tags=["devices"])


@router.put("/devices/{device_id}", summary="Register a device", status_code=201)
async def put_device(
    request: Request, device_id: RecordId, caller: Recorder, expected: ExpectedVersion = None
) -> Response:
    """Register a device (201) or amend it (200)."""
    shape = parts_of(request).stages.vocabulary.device
    return await take_record(
        request,
        caller,
        lambda value: read_record(value, shape),
        lambda tx, stages, read, submission: take_device(tx, stages, device_id, read, submission),
        expected=expected,
    )


@router.post("/devices/{device_id}/checks", summary="Post a device check", status_code=201)
async def post_check(request: Request, device_id: RecordId, caller: Recorder) -> Response:
    """Take the results of a check, judge them, and answer whether the device is ready."""
    vocabulary = parts_of(request).stages.vocabulary
    return await take_record(
        request,
        caller,
        lambda value: read_check(value, vocabulary),
        lambda tx, stages, read, submission: take_check(tx, stages, device_id, read, submission),
    )


@router.get("/devices", summary="Read the readiness of all devices")
async def get_devices(request: Request, _: Anyone) -> Response:
    """Return for each device its last check, when the next one is due, its faults and the offset of its clock."""
    parts = parts_of(request)
    return json_answer({"devices": await parts.store.read(lambda tx: read_devices(tx, parts.clock()))})
