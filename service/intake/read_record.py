"""Reads one record (an event, a case, a device, a check) against its shape."""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel, ValidationError

from service.exact_json import content_hash, write_json
from service.intake.read_problems import read_problems
from service.problems import Code, Problem, Rejected
from service.vocabulary.code_tables import CodeTable
from service.vocabulary.load_vocabulary import Vocabulary
from service.vocabulary.record_shapes import RecordShape


@dataclass(frozen=True, slots=True)
class ReadRecord:
    """A record that can be kept: what the client sent, nulls left out, with every digit as it was written."""

    content: dict[str, Any]
    content_hash: str
    warnings: tuple[Problem, ...]

    @property
    def hashes(self) -> dict[str, str]:
        """Return what an audit entry vouches by: the hash of equal content, and that of the very bytes kept."""
        kept = hashlib.sha256(write_json(self.content)).hexdigest()
        return {"content_hash": self.content_hash, "content_sha256": kept}


def without_nulls(value: Any) -> Any:
    """Return a JSON value without the members whose value is null, which say the same as no member."""
    if isinstance(value, dict):
        return {name: without_nulls(member) for name, member in value.items() if member is not None}
    if isinstance(value, list):
        return [without_nulls(item) for item in value]
    return value


def without_empty_persons(content: Any, shape: RecordShape) -> Any:
    """Return a record without the persons of whom neither role nor name is given, who say the same as nobody."""
    if not isinstance(content, dict):
        return content
    persons = {name for name, field in shape.fields.items() if field.type == "person"}
    return {name: member for name, member in content.items() if not (name in persons and member == {})}


def _validated(content: object, model: type[BaseModel], known_fields: list[str]) -> list[Problem]:
    try:
        model.__pydantic_validator__.validate_python(content)
    except ValidationError as error:
        return read_problems(error.errors(include_url=False, include_input=False), known_fields)
    return []


def _contradictions(content: Mapping[str, Any], shape: RecordShape) -> list[Problem]:
    return [
        Problem(Code.CONTRADICTION, f"/{rule.field}", rule.says, rule.expected)
        for rule in shape.impossible
        if rule.holds(content)
    ]


def _unknown_names(content: Mapping[str, Any], shape: RecordShape, elements: Collection[str]) -> list[Problem]:
    """Return the problems of `stated_unknown`: own fields without a value, or elements of the whole case."""
    own = {name for name, field in shape.fields.items() if not field.required and name not in content}
    return [
        Problem(
            Code.CONTRADICTION,
            f"/stated_unknown/{index}",
            "this is not the name of a field of this record, or the field has a value",
            "optional fields of this event without a value, or elements such as case.location or team_activated",
        )
        for index, name in enumerate(content.get("stated_unknown", []))
        if name not in own and name not in elements
    ]


def _is_word(value: Any, table: CodeTable) -> bool:
    return isinstance(value, str) and value in table.concepts


def unmapped_values(content: Mapping[str, Any], shape: RecordShape, pointer: str = "") -> list[Problem]:
    """Return a warning for every value that the client worded itself since our code tables lack it."""
    return [
        Problem(
            Code.UNMAPPED_VALUE,
            f"{pointer}/{name}",
            f"the value of {name!r} is not in the code table {field.table.name!r}; it is sent as it was given",
            f"one of: {', '.join(field.table.concepts)}",
        )
        for name, field in shape.fields.items()
        if field.table is not None and name in content and not _is_word(content[name], field.table)
    ]


def read_record(value: object, shape: RecordShape, elements: Collection[str] = ()) -> ReadRecord:
    """Return the record that `value` (from `exact_json.read_json`) spells.

    `elements` are names beyond its own fields that `stated_unknown` may hold.

    Raises Rejected with every problem of the record.
    """
    content = without_empty_persons(without_nulls(value), shape)
    known_fields = ["kind", *shape.fields] if "kind" in shape.model.model_fields else list(shape.fields)
    problems = _validated(content, shape.model, known_fields)
    if not problems:
        problems = [*_contradictions(content, shape), *_unknown_names(content, shape, elements)]
    if problems:
        raise Rejected(problems)
    return ReadRecord(content, content_hash(content), tuple(unmapped_values(content, shape)))


def read_event(value: object, vocabulary: Vocabulary) -> ReadRecord:
    """Return the event that `value` spells, whatever its kind; Rejected with every problem otherwise."""
    kinds = ", ".join(vocabulary.events)
    if not isinstance(value, dict):
        raise Rejected([Problem(Code.WRONG_TYPE, "", "an event is an object", "an object with id, kind and at")])
    kind = value.get("kind")
    if kind is None:
        raise Rejected([Problem(Code.MISSING_REQUIRED, "/kind", "'kind' is missing", f"one of: {kinds}")])
    shape = vocabulary.events.get(kind) if isinstance(kind, str) else None
    if shape is None:
        raise Rejected([Problem(Code.UNKNOWN_KIND, "/kind", "the event kind is not known", f"one of: {kinds}")])
    return read_record(value, shape, vocabulary.elements)
