"""Registers devices, and amends what is known of them."""

from __future__ import annotations

from typing import Any

from service.audit.append_entry import Action, Happening, append_entry
from service.intake.read_record import ReadRecord
from service.making.check_made import check_made
from service.making.make_device import make_device
from service.making.stages import Stages
from service.outbox.queue_resources import owned_by_device, queue_deliveries
from service.records.record_keys import device_key
from service.storage.devices import StoredDevice, find_device, keep_device
from service.storage.statements import Transaction
from service.taking.submissions import Submission, Taken, log_repeat, require_version


def _device_body(device: StoredDevice) -> dict[str, Any]:
    return {"id": device.device_id, "version": device.version, **device.content}


def take_device(tx: Transaction, stages: Stages, device_id: str, read: ReadRecord, submission: Submission) -> Taken:
    """Register a device or amend what is known of it; the same content again changes nothing.

    Raises a ServiceProblem, with nothing kept, where it is refused.
    """
    receipt, key = submission.receipt, device_key(device_id)
    old = find_device(tx, device_id)
    if old is not None and old.registered and old.content_hash == read.content_hash:
        log_repeat(tx, submission)
        return Taken(200, _device_body(old), is_repeat=True)
    require_version(submission, old.version if old and old.registered else 0)
    made = make_device(stages, device_id, read.content, receipt)
    check_made(made)
    version = old.version + 1 if old else 1
    device = StoredDevice(device_id, version, registered=True, content=read.content, content_hash=read.content_hash)
    keep_device(tx, device, receipt.stamp)
    queued = queue_deliveries(tx, owned_by_device(device_id), {key: made}, receipt.stamp)
    detail = {"version": version, **read.hashes, **(queued[key].detail if key in queued else {})}
    append_entry(tx, receipt, Happening(Action.DEVICE_TAKEN, key, "accepted", None, detail))
    return Taken(200 if old and old.registered else 201, _device_body(device))
