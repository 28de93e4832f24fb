"""Gathers what the templates of a record may look up: its fields, computed names and references to anchors."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from service.exact_json import ExactNumber
from service.mapping.placeholders import concept_of
from service.mapping.sampled_strip import LeadSamples, split_strip
from service.records.clocks import CorrectedTime
from service.records.events import RecordedEvent
from service.records.instants import format_instant
from service.vocabulary.code_tables import CodeTable
from service.vocabulary.units import UCUM

CANONICAL = "https://resus-fhir.example/fhir"
"""The base of the canonical URLs of what this project defines itself."""

DEVICE_TIME_EXTENSION = f"{CANONICAL}/StructureDefinition/device-time"


def prefixed(content: Mapping[str, Any], prefix: str) -> dict[str, Any]:
    """Return the fields of a record under `prefix.`, as templates of other records name them."""
    return {f"{prefix}.{name}": value for name, value in content.items()}


def reference_values(references: Mapping[str, str]) -> dict[str, Any]:
    """Return the entries by which templates find References: anchor name to `Type/id`."""
    return {f"reference {name}": {"reference": literal} for name, literal in references.items()}


def _seconds(value: float) -> dict[str, Any]:
    number = ExactNumber(f"{value:.3f}".rstrip("0").rstrip(".")) if value % 1 else int(value)
    return {"value": number, "unit": "s", "system": UCUM, "code": "s"}


def device_time_extension(event: RecordedEvent, corrected: CorrectedTime) -> dict[str, Any] | None:
    """Return the extension that keeps the raw time beside the corrected one; None for an exact reference time.

    Shape: an element with the extension `device-time`, whose parts are `time` (as sent), `clock`, `offset`
    (device minus reference; absent where it is unknown) and `precision`.
    """
    if event.clock is None and event.precision_seconds == 1:
        return None
    parts: list[dict[str, Any]] = [{"url": "time", "valueDateTime": event.at}]
    if event.clock is not None:
        parts.append({"url": "clock", "valueString": event.clock})
        if corrected.offset_seconds is not None:
            parts.append({"url": "offset", "valueQuantity": _seconds(corrected.offset_seconds)})
    parts.append({"url": "precision", "valueQuantity": _seconds(event.precision_seconds)})
    return {"extension": [{"url": DEVICE_TIME_EXTENSION, "extension": parts}]}


def _segments(event: RecordedEvent, corrected: CorrectedTime, leads: CodeTable | None) -> list[dict[str, Any]]:
    """Return, for a strip, what each of its segments gives to the templates."""
    content = event.content
    sampled = content.get("leads", [])
    if "samples_millivolts" in content:
        sampled = [*sampled, {"lead": content.get("lead"), "samples_millivolts": content["samples_millivolts"]}]
    if leads is None or not sampled or "sampling_hertz" not in content:
        return []
    start = corrected.on_reference_clock(content.get("start", event.at))
    all_leads = [
        LeadSamples(concept_of(lead["lead"], leads.concepts) or _LEAD_NOT_STATED, lead["samples_millivolts"])
        for lead in sampled
    ]
    return [
        {
            "segment_start": segment.start,
            "segment_end": segment.end,
            "segment_components": list(segment.components),
        }
        for segment in split_strip(all_leads, content["sampling_hertz"], start)
    ]


_LEAD_NOT_STATED = {"text": "Lead not stated"}


def event_values(
    event: RecordedEvent,
    corrected: CorrectedTime,
    content_hash: str,
    shared: Mapping[str, Any],
    tables: Mapping[str, CodeTable],
) -> dict[str, Any]:
    """Return the values of one event; `shared` holds those of its case and the references."""
    values = {
        **shared,
        **event.content,
        "time": corrected.text,
        "received": format_instant(event.received_at),
        "version": event.version,
        "activity": "retract" if event.retracted else "create" if event.version == 1 else "revise",
        "record_key": f"{event.case_id}/{event.id}",
        "content_hash": content_hash,
    }
    if "until" in event.content:
        values["until"] = corrected.on_reference_clock(event.content["until"])
    device_time = device_time_extension(event, corrected)
    if device_time is not None:
        values["device_time"] = device_time
    segments = _segments(event, corrected, tables.get("ecg_lead"))
    if segments:
        values["segments"] = segments
    return values
