"""The names that the service computes for templates, one row each; templates use them like fields."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal

RecordGroup = Literal["event", "span", "case", "device", "check", "check_item"]
"""The groups of records whose templates may name the same things."""

_EVERY: tuple[RecordGroup, ...] = ("event", "span", "case", "device", "check", "check_item")
_AUTHORED: tuple[RecordGroup, ...] = ("event", "check", "check_item")
_RECEIVED: tuple[RecordGroup, ...] = ("event", "case", "device", "check", "check_item")
_OF_A_STRIP = ("start", "at", "clock", "sampling_hertz", "lead", "leads", "samples_millivolts")


@dataclass(frozen=True, slots=True)
class ComputedName:
    """One computed name and what it stands for.

    `behind` are the record's own fields that it is computed from. Every record of the groups in `always_in` has it.
    `about_the_record` holds for what tells nothing of the patient or the device: an element that looks up nothing
    else is no sign of a value. Over a list (`is_list`) a template can repeat: `each: segments` makes a resource for
    each segment.
    """

    name: str
    says: str
    behind: tuple[str, ...] = ()
    always_in: tuple[RecordGroup, ...] = ()
    about_the_record: bool = False
    is_list: bool = False


_ROWS = (
    ComputedName("resource_id", "the id of the resource", ("id",), _EVERY, about_the_record=True),
    ComputedName("installation", "the URI of this installation", (), _EVERY, about_the_record=True),
    ComputedName(
        "record_key", "the record: case and event, or device and check", ("id",), _EVERY, about_the_record=True
    ),
    ComputedName("received", "when the service took the record (instant)", (), _RECEIVED, about_the_record=True),
    ComputedName("version", "the version of the record, 1 for the first", (), _AUTHORED, about_the_record=True),
    ComputedName(
        "activity", "what this version did: create, revise or retract", (), _AUTHORED, about_the_record=True
    ),
    # It is computed from all fields, so an explanation names none.
    ComputedName("content_hash", "the SHA-256 of the record's content", (), _AUTHORED, about_the_record=True),
    ComputedName("own_references", "references to all resources of the record but its Provenance", (), _AUTHORED),
    ComputedName(
        "time", "when it happened, on the reference clock if known", ("at", "clock", "checked_at"), _AUTHORED
    ),
    ComputedName(
        "device_time", "the raw time of a device's clock (extension)", ("at", "clock", "precision_seconds")
    ),
    ComputedName("case_id", "the id of the case", (), ("event", "span", "case")),
    ComputedName("device_id", "the id of the device", (), ("device", "check", "check_item")),
    ComputedName("check_id", "the id of the check", ("id",), ("check", "check_item")),
    ComputedName("segments", "of a strip: its stretches without a pause", _OF_A_STRIP, is_list=True),
    ComputedName("segment_start", "of a segment: the time of its first sample", _OF_A_STRIP, ("event",)),
    ComputedName("segment_end", "of a segment: one period after its last sample", _OF_A_STRIP, ("event",)),
    ComputedName("segment_components", "of a segment: SampledData for each lead", _OF_A_STRIP, ("event",)),
    ComputedName("document_references", "of a strip: the resources of the event that it documents", ("documents",)),
    ComputedName("span_status", "of a span: in-progress or completed", (), ("span",)),
    ComputedName("started", "of a case or a span: the first moment", ("started_at",)),
    ComputedName("ended", "of a case or a span: the last moment, where it is over"),
    ComputedName("outcome", "of a check: ready, ready_with_fault or not_ready", (), ("check",)),
    ComputedName("reasons", "of a check: in words, what is to be followed up or keeps it from use"),
    ComputedName("member_references", "of a check: references to the Observations of its items"),
)

COMPUTED_NAMES: Mapping[str, ComputedName] = {row.name: row for row in _ROWS}

ANCHORS = frozenset({"patient", "encounter", "location", "resuscitation", "device", "compressions", "pacing"})
"""What a record may refer to outside itself."""


def always_in(group: RecordGroup) -> frozenset[str]:
    """Return the computed names that every record of a group has."""
    return frozenset(row.name for row in _ROWS if group in row.always_in)


def with_fields_behind(names: Iterable[str]) -> set[str]:
    """Return `names` and the fields from which those of them that are computed are computed."""
    known = set(names)
    return known.union(*(COMPUTED_NAMES[name].behind for name in known if name in COMPUTED_NAMES))
