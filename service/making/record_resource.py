"""A made resource together with the record that it belongs to."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from service.mapping.apply_mapping import MadeResource


@dataclass(frozen=True, slots=True)
class RecordResource:
    """A made resource with the key of its record, which may be a span beside the event at hand."""

    made: MadeResource
    record: str


def in_record(made: Iterable[MadeResource], record: str) -> list[RecordResource]:
    """Return the resources as those of one record."""
    return [RecordResource(resource, record) for resource in made]
