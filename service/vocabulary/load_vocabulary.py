"""Reads the mapping folder into the vocabulary that intake, mapping, readiness and completeness share."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from service.vocabulary.code_tables import CodeTable, load_code_tables
from service.vocabulary.fields import FieldDefinition, read_fields
from service.vocabulary.record_shapes import RecordShape, read_record_shapes
from service.vocabulary.units import Units, load_units
from service.vocabulary.yaml_tree import load_yaml


@dataclass(frozen=True, slots=True)
class Vocabulary:
    """All words of the trade that the service knows, as the mapping folder holds them.

    `elements` are the names of what a case should hold: `KIND`, `KIND.FIELD` and `case.FIELD`.
    """

    folder: Path
    events: Mapping[str, RecordShape]
    case: RecordShape
    device: RecordShape
    check: RecordShape
    check_items: Mapping[str, RecordShape]
    spans: Mapping[str, RecordShape]
    tables: Mapping[str, CodeTable]
    units: Units
    common_fields: Mapping[str, FieldDefinition]
    elements: frozenset[str]


def load_vocabulary(folder: Path) -> Vocabulary:
    """Return the vocabulary in `folder`; WrongMapping with file, line and reason of what is wrong in it."""
    units = load_units(folder / "units.yaml")
    tables = load_code_tables(folder / "codes")
    common = read_fields(load_yaml(folder / "common_fields.yaml"), tables, units)
    records = read_record_shapes(folder / "records", {}, tables, units, is_event=False)
    events = read_record_shapes(folder / "events", common, tables, units, is_event=True)
    return Vocabulary(
        folder=folder,
        events=events,
        case=records["case"],
        device=records["device"],
        check=records["check"],
        check_items=read_record_shapes(folder / "check_items", {}, tables, units, is_event=False),
        spans=read_record_shapes(folder / "spans", {}, tables, units, is_event=False),
        tables=tables,
        units=units,
        common_fields=common,
        elements=_elements(events, records["case"]),
    )


def _elements(events: Mapping[str, RecordShape], case: RecordShape) -> frozenset[str]:
    """Return the names by which completeness speaks of what a case should hold."""
    fields = (f"{shape.name}.{name}" for shape in events.values() for name in shape.fields)
    return frozenset({*events, *fields, *(f"case.{name}" for name in case.fields)})
