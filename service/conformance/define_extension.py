"""Defines the extension that keeps the raw time of a device's clock beside the corrected one."""

from __future__ import annotations

from typing import Any

from service.conformance.base_snapshots import base_snapshot
from service.conformance.canonical import FHIR_VERSION, conformance_resource
from service.conformance.snapshot_draft import STRUCTURE, SnapshotDraft
from service.mapping.record_values import DEVICE_TIME_EXTENSION
from service.vocabulary.units import UCUM

_SECONDS = {"system": UCUM, "code": "s"}
_PARTS: tuple[tuple[str, str, int, str, str], ...] = (
    ("time", "dateTime", 1, "Time as recorded", "The time as the record had it, before any correction."),
    ("clock", "string", 0, "Clock", "Which device's clock gave the time; absent for the reference clock."),
    (
        "offset",
        "Quantity",
        0,
        "Offset of the clock",
        "The device's time minus the reference time, positive where it is fast; absent where not known.",
    ),
    ("precision", "Quantity", 1, "Precision", "How finely the time was read, in seconds."),
)
_TITLE = "Time of a device's clock"
_DESCRIPTION = (
    "What a time was before it was corrected: the raw time, the clock that gave it, that clock's offset from the "
    "reference clock, and how finely it was read. It stands on the time that it belongs to."
)


def define_device_time() -> dict[str, Any]:
    """Return the StructureDefinition of the extension `device-time`, with snapshot and differential."""
    draft = SnapshotDraft("Extension")
    root, parts = draft.elements[0], draft.at("Extension.extension")
    draft.change(root, short=_TITLE, definition=_DESCRIPTION, max="1")
    below = [
        {**one, "path": "Extension.extension" + one["path"].removeprefix("Extension")}
        | {"id": "Extension.extension" + one["id"].removeprefix("Extension")}
        for one in base_snapshot("Extension")[1:]
    ]
    for name, kind, least, short, definition in _PARTS:
        head = draft.add_slice(parts, name, below)
        draft.change(head, short=short, definition=definition, min=least, max="1")
        draft.change(draft.at(f"{head['id']}.extension"), max="0")
        draft.change(draft.at(f"{head['id']}.url"), fixedUri=name)
        value = draft.at(f"{head['id']}.value[x]")
        draft.change(value, min=1, type=[{"code": kind}])
        if kind == "Quantity":
            draft.change(value, patternQuantity=_SECONDS)
    slicing = {"discriminator": [{"type": "value", "path": "url"}], "ordered": False, "rules": "open"}
    draft.change(parts, slicing=slicing, min=sum(least for _, _, least, _, _ in _PARTS))
    draft.change(draft.at("Extension.url"), fixedUri=DEVICE_TIME_EXTENSION)
    draft.change(draft.at("Extension.value[x]"), max="0")
    return {
        **conformance_resource("StructureDefinition", "device-time", _TITLE, _DESCRIPTION),
        "fhirVersion": FHIR_VERSION,
        "kind": "complex-type",
        "abstract": False,
        "context": [{"type": "element", "expression": "dateTime"}],
        "type": "Extension",
        "baseDefinition": f"{STRUCTURE}Extension",
        "derivation": "constraint",
        "snapshot": {"element": draft.elements},
        "differential": {"element": draft.differential()},
    }
