"""Devices and their checks."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import bindparam, insert, select, update

from service.exact_json import content_hash, read_json, write_json
from service.records.instants import stamp
from service.storage.schema import checks, devices
from service.storage.statements import AmongTexts, Statement, Transaction, text_list


@dataclass(frozen=True, slots=True)
class StoredDevice:
    """A device; `registered` is false where only an event has named it so far."""

    device_id: str
    version: int
    registered: bool
    content: dict[str, Any]
    content_hash: str

    @classmethod
    def named_only(cls, device_id: str) -> StoredDevice:
        """Return a device of which nothing is known but its id."""
        return cls(device_id, 1, registered=False, content={}, content_hash=content_hash({}))


@dataclass(frozen=True, slots=True)
class StoredCheck:
    """One check of a device with the verdict on it."""

    device_id: str
    check_id: str
    checked_at: datetime
    content: dict[str, Any]
    content_hash: str
    outcome: str
    reasons: list[dict[str, str]]
    answer: dict[str, Any]


_DEVICE_COLUMNS = (
    devices.c.device_id,
    devices.c.version,
    devices.c.registered,
    devices.c.content,
    devices.c.content_hash,
)
_DEVICE = Statement(select(*_DEVICE_COLUMNS).where(devices.c.device_id == bindparam("device_id")))
_KNOWN = Statement(
    select(devices.c.device_id, devices.c.content).where(AmongTexts(devices.c.device_id, "device_ids"))
)
_DEVICES = Statement(select(*_DEVICE_COLUMNS).order_by(devices.c.device_id))
_INSERT_DEVICE = Statement(insert(devices))
_UPDATE_DEVICE = Statement(
    update(devices)
    .where(devices.c.device_id == bindparam("of"))
    .values(
        version=bindparam("new_version"),
        registered=bindparam("new_registered"),
        content=bindparam("new_content"),
        content_hash=bindparam("new_hash"),
    )
)
_CHECK_COLUMNS = (
    checks.c.device_id,
    checks.c.check_id,
    checks.c.checked_at,
    checks.c.content,
    checks.c.content_hash,
    checks.c.outcome,
    checks.c.reasons,
    checks.c.answer,
)
_CHECK = Statement(
    select(*_CHECK_COLUMNS).where(
        checks.c.device_id == bindparam("device_id"), checks.c.check_id == bindparam("check_id")
    )
)
_NEWEST_CHECK = Statement(
    select(*_CHECK_COLUMNS)
    .where(checks.c.device_id == bindparam("device_id"))
    .order_by(checks.c.checked_at.desc(), checks.c.received_at.desc())
    .limit(1)
)
_INSERT_CHECK = Statement(insert(checks))


def _device(row: tuple[Any, ...]) -> StoredDevice:
    return StoredDevice(row[0], row[1], bool(row[2]), read_json(row[3]), row[4])


def _check(row: tuple[Any, ...]) -> StoredCheck:
    return StoredCheck(
        device_id=row[0],
        check_id=row[1],
        checked_at=datetime.fromisoformat(row[2]),
        content=read_json(row[3]),
        content_hash=row[4],
        outcome=row[5],
        reasons=read_json(row[6].encode()),
        answer=read_json(row[7]),
    )


def find_device(tx: Transaction, device_id: str) -> StoredDevice | None:
    """Return a device."""
    row = tx.one(_DEVICE, device_id=device_id)
    return _device(row) if row else None


def known_devices(tx: Transaction, device_ids: Collection[str]) -> dict[str, dict[str, Any]]:
    """Return what is known of those of the devices that are, by their ids."""
    if not device_ids:
        return {}
    return {row[0]: read_json(row[1]) for row in tx.run(_KNOWN, device_ids=text_list(sorted(device_ids)))}


def all_devices(tx: Transaction) -> list[StoredDevice]:
    """Return all devices in the order of their ids."""
    return [_device(row) for row in tx.run(_DEVICES)]


def keep_device(tx: Transaction, device: StoredDevice, received_at: str) -> None:
    """Keep a device; a version above 1 takes the place of the one before."""
    content = write_json(device.content)
    if device.version == 1:
        tx.run(
            _INSERT_DEVICE,
            device_id=device.device_id,
            version=1,
            registered=int(device.registered),
            content=content,
            content_hash=device.content_hash,
            received_at=received_at,
        )
    else:
        tx.run(
            _UPDATE_DEVICE,
            of=device.device_id,
            new_version=device.version,
            new_registered=int(device.registered),
            new_content=content,
            new_hash=device.content_hash,
        )


def find_check(tx: Transaction, device_id: str, check_id: str) -> StoredCheck | None:
    """Return one check."""
    row = tx.one(_CHECK, device_id=device_id, check_id=check_id)
    return _check(row) if row else None


def newest_check(tx: Transaction, device_id: str) -> StoredCheck | None:
    """Return the check that was done last, whenever it came in."""
    row = tx.one(_NEWEST_CHECK, device_id=device_id)
    return _check(row) if row else None


def keep_check(tx: Transaction, check: StoredCheck, actor: str, received_at: str) -> None:
    """Keep a new check."""
    tx.run(
        _INSERT_CHECK,
        device_id=check.device_id,
        check_id=check.check_id,
        checked_at=stamp(check.checked_at),
        content=write_json(check.content),
        content_hash=check.content_hash,
        outcome=check.outcome,
        reasons=write_json(check.reasons).decode(),
        answer=write_json(check.answer),
        actor=actor,
        received_at=received_at,
    )
