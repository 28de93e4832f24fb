"""The frame of a case: what all of its records share, and the resources made from the case itself."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from service.making.stages import Stages
from service.mapping.apply_mapping import MadeResource
from service.mapping.record_values import prefixed, reference_values
from service.mapping.resource_ids import resource_id
from service.records.instants import format_instant, parse_instant
from service.records.spans import CASE

_SPAN_ROLE = "span"


@dataclass(frozen=True, slots=True)
class CaseFrame:
    """What all records of one case share: its content, the anchors made from it, and the references to them."""

    case_id: str
    content: Mapping[str, Any]
    resources: tuple[MadeResource, ...]
    shared: Mapping[str, Any]

    @property
    def started_at(self) -> datetime | None:
        """Return when the case began; None where nobody said."""
        started = self.content.get("started_at")
        return parse_instant(started) if started else None


def span_reference(stages: Stages, case_id: str, name: str, start: str) -> str:
    """Return the reference to a span's resource; `start` is the id of its first event, or the word `case`."""
    return f"Procedure/{resource_id((stages.source, 'span', case_id, name, start, _SPAN_ROLE))}"


def frame_case(stages: Stages, case_id: str, content: Mapping[str, Any], opened_at: datetime) -> CaseFrame:
    """Return the frame of a case, with the anchors made from it; `opened_at` is when it was first taken."""
    values: dict[str, Any] = {
        **content,
        "case_id": case_id,
        "installation": stages.source,
        "record_key": case_id,
        "received": format_instant(opened_at),
    }
    if "started_at" in content:
        values["started"] = content["started_at"]
    anchors = {
        shape.span.anchor: span_reference(stages, case_id, name, CASE)
        for name, shape in stages.vocabulary.spans.items()
        if CASE in shape.span.starts
    }
    made = stages.mappings.case.apply(stages.source, ("case", case_id), {**values, **reference_values(anchors)})
    references = {resource.role: resource.reference for resource in made} | anchors
    shared = {
        **prefixed(content, "case"),
        **reference_values(references),
        "case_id": case_id,
        "installation": stages.source,
    }
    return CaseFrame(case_id, content, tuple(made), shared)
