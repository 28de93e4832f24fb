"""Reads the mapping folder into the vocabulary that intake, mapping, readiness and completeness share."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from service.vocabulary.code_tables import CodeTable, read_code_tables
from service.vocabulary.fields import FieldDefinition, read_fields
from service.vocabulary.mapping_data import MappingData
from service.vocabulary.record_shapes import RecordShape, SpanShape, read_record_shapes, read_span_shapes
from service.vocabulary.units import Units, read_units


@dataclass(frozen=True, slots=True)
class Vocabulary:
    """All words of the trade that the service knows, as the mapping folder holds them.

    `elements` are the names of what a case should hold: `KIND`, `KIND.FIELD` and `case.FIELD`.
    """

    data: MappingData
    events: Mapping[str, RecordShape]
    case: RecordShape
    device: RecordShape
    check: RecordShape
    check_items: Mapping[str, RecordShape]
    spans: Mapping[str, SpanShape]
    tables: Mapping[str, CodeTable]
    units: Units
    common_fields: Mapping[str, FieldDefinition]
    elements: frozenset[str]

    @property
    def folder(self) -> Path:
        """Return the folder of the mapping documents that the service ships with."""
        return self.data.folder


def read_vocabulary(data: MappingData) -> Vocabulary:
    """Return the vocabulary that the documents in force hold; WrongMapping with what is wrong in them."""
    units = read_units(data.document("units.yaml"))
    tables = read_code_tables(data.document("codes/systems.yaml"), data.documents_in("codes"))
    common = read_fields(data.document("common_fields.yaml"), tables, units)
    records = read_record_shapes(data.documents_in("records"), {}, tables, units, is_event=False)
    events = read_record_shapes(data.documents_in("events"), common, tables, units, is_event=True)
    check_items = read_record_shapes(data.documents_in("check_items"), {}, tables, units, is_event=False)
    return Vocabulary(
        data=data,
        events=events,
        case=records["case"],
        device=records["device"],
        check=records["check"],
        check_items=check_items,
        spans=read_span_shapes(data.documents_in("spans"), tables, units),
        tables=tables,
        units=units,
        common_fields=common,
        elements=_elements(events, records["case"]),
    )


def _elements(events: Mapping[str, RecordShape], case: RecordShape) -> frozenset[str]:
    """Return the names by which completeness speaks of what a case should hold."""
    fields = (f"{shape.name}.{name}" for shape in events.values() for name in shape.fields)
    return frozenset({*events, *fields, *(f"case.{name}" for name in case.fields)})
