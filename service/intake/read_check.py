"""Reads a device check: its own fields, and each of its items against the shape of that item."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pydantic import BaseModel, Field, create_model

from service.exact_json import content_hash
from service.intake.read_problems import json_pointer
from service.intake.read_record import (
    ReadRecord,
    read_record,
    unmapped_values,
    without_empty_persons,
    without_nulls,
)
from service.problems import Code, Problem, Rejected
from service.vocabulary.client_values import StrictRecord
from service.vocabulary.load_vocabulary import Vocabulary
from service.vocabulary.record_shapes import RecordShape


def check_model(vocabulary: Vocabulary) -> type[BaseModel]:
    """Return the model of a whole check, which the API description shows."""
    items: dict[str, Any] = {
        name: (shape.model | None, Field(default=None, description=shape.says))
        for name, shape in vocabulary.check_items.items()
    }
    item_model = create_model("CheckItems", __base__=StrictRecord, __doc__="What was checked.", **items)
    return create_model(
        "Check",
        __base__=vocabulary.check.model,
        __doc__=vocabulary.check.says,
        items=(item_model, Field(description="Each item that was checked, with its findings.")),
    )


def _read_items(items: object, shapes: Mapping[str, RecordShape]) -> list[Problem]:
    if items is None:
        return [Problem(Code.MISSING_REQUIRED, "/items", "'items' is missing", "an object with the items checked")]
    if not isinstance(items, dict):
        return [Problem(Code.WRONG_TYPE, "/items", "the value is of the wrong type", "an object")]
    if not items:
        return [Problem(Code.WRONG_FORM, "/items", "no item was checked", "at least one item")]
    problems: list[Problem] = []
    for name, item in items.items():
        shape = shapes.get(name)
        pointer = json_pointer(["items", name])
        if shape is None:
            known = f"one of: {', '.join(shapes)}"
            problems.append(
                Problem(Code.UNKNOWN_FIELD, pointer, f"there is no check item named {name[:64]!r}", known)
            )
            continue
        try:
            read_record(item, shape)
        except Rejected as rejected:
            problems.extend(problem.below(pointer) for problem in rejected.problems)
    return problems


def read_check(value: object, vocabulary: Vocabulary) -> ReadRecord:
    """Return the check that `value` spells; Rejected with every problem of it and of its items otherwise."""
    content = without_empty_persons(without_nulls(value), vocabulary.check)
    if not isinstance(content, dict):
        raise Rejected(
            [Problem(Code.WRONG_TYPE, "", "a check must be an object", "an object with id, checked_at, items")]
        )
    own = {name: member for name, member in content.items() if name != "items"}
    problems: list[Problem] = []
    try:
        warnings = list(read_record(own, vocabulary.check).warnings)
    except Rejected as rejected:
        problems.extend(rejected.problems)
        warnings = []
    problems.extend(_read_items(content.get("items"), vocabulary.check_items))
    if problems:
        raise Rejected(problems)
    for name, item in content["items"].items():
        warnings.extend(unmapped_values(item, vocabulary.check_items[name], f"/items/{name}"))
    return ReadRecord(content, content_hash(content), tuple(warnings))
