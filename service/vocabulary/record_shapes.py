"""Record shapes: what an event of a kind, a case, a device or an item of a check consists of."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from dataclasses import fields as dataclass_fields
from typing import Any, Literal

from pydantic import BaseModel, create_model

from service.problems import WrongMapping
from service.vocabulary.client_values import StrictRecord
from service.vocabulary.code_tables import CodeTable
from service.vocabulary.conditions import Condition, read_condition
from service.vocabulary.fields import FieldDefinition, model_members, read_fields
from service.vocabulary.units import Units
from service.vocabulary.yaml_tree import Located, read_documents


@dataclass(frozen=True, slots=True)
class Impossibility:
    """A combination of values that cannot be true, so that a record which claims it is refused."""

    holds: Condition
    field: str
    says: str
    expected: str


@dataclass(frozen=True, slots=True)
class Judgement:
    """What a finding of a device check means for the readiness of the device."""

    holds: Condition
    outcome: Literal["ready_with_fault", "not_ready"]
    reason: str
    says: str
    source: str


@dataclass(frozen=True, slots=True)
class SpanRule:
    """What begins and ends a span of a case (a compression period, say) and what lies inside it.

    `starts` may hold the word `case`: such a span begins with the case itself. `anchor` is the name by which
    templates refer to the span's resource of the role `span`.
    """

    starts: frozenset[str]
    ends: frozenset[str]
    members: frozenset[str]
    anchor: str

    @property
    def kinds(self) -> frozenset[str]:
        """Return all event kinds that have a part in the span."""
        return self.starts | self.ends | self.members


@dataclass(frozen=True, slots=True)
class RecordShape:
    """One shape of record: its name, its fields, what it may not claim, and its mapping, still uncompiled."""

    name: str
    title: str
    says: str
    fields: Mapping[str, FieldDefinition]
    impossible: tuple[Impossibility, ...]
    judgements: tuple[Judgement, ...]
    example: Any
    model: type[BaseModel]
    resources: Located
    place: Located


@dataclass(frozen=True, slots=True)
class SpanShape(RecordShape):
    """The shape of a span: its fields are those of the events that begin and end it."""

    span: SpanRule


_COMPUTED_FOR_JUDGEMENTS = frozenset({"offset_seconds"})
"""What readiness calculates beside the fields of an item; and `FIELD.days_left` for each date."""


def _condition(place: Located, fields: Mapping[str, FieldDefinition]) -> Condition:
    """Return the condition at `place`; WrongMapping where it asks for a field that is not there."""
    days_left = {f"{name}.days_left" for name, field in fields.items() if field.type == "date"}
    condition = read_condition(place)
    unknown = condition.names - set(fields) - _COMPUTED_FOR_JUDGEMENTS - days_left
    if unknown:
        place.refuse(f"there is no field {', '.join(sorted(unknown))} here")
    return condition


def _impossibility(place: Located, fields: Mapping[str, FieldDefinition]) -> Impossibility:
    place.only("when", "field", "says", "expected")
    field = place.required("field")
    if field.text() not in fields:
        field.refuse(f"there is no field {field.text()!r} here")
    return Impossibility(
        _condition(place.required("when"), fields),
        field.text(),
        place.required("says").text(),
        place.required("expected").text(),
    )


def _judgement(place: Located, fields: Mapping[str, FieldDefinition]) -> Judgement:
    place.only("when", "outcome", "reason", "says", "source")
    outcome = place.required("outcome").text()
    if outcome not in ("ready_with_fault", "not_ready"):
        place.required("outcome").refuse("the outcome is ready_with_fault or not_ready")
    return Judgement(
        _condition(place.required("when"), fields),
        "not_ready" if outcome == "not_ready" else "ready_with_fault",
        place.required("reason").text(),
        place.required("says").text(),
        place.required("source").text(),
    )


def _span(place: Located) -> SpanRule:
    members = place.only("starts", "ends", "members", "anchor")

    def kinds(name: str) -> frozenset[str]:
        return frozenset(item.text() for item in _list(members, name))

    return SpanRule(kinds("starts"), kinds("ends"), kinds("members"), place.required("anchor").text())


def _model(
    name: str, says: str, fields: Mapping[str, FieldDefinition], example: Any, *, is_event: bool
) -> type[BaseModel]:
    members = {**({"kind": (Literal[name], ...)} if is_event else {}), **model_members(fields)}
    camel = "".join(word.capitalize() for word in name.split("_"))
    model: type[BaseModel] = create_model(camel, __base__=StrictRecord, __doc__=says, **members)
    model.model_config["json_schema_extra"] = {"examples": [example]} if example is not None else None
    return model


_MEMBERS = ("name", "title", "says", "fields", "impossible", "judgements", "example", "resources")


def read_record_shape(
    place: Located,
    common: Mapping[str, FieldDefinition],
    tables: Mapping[str, CodeTable],
    units: Units,
    *,
    is_event: bool,
    more: tuple[str, ...] = (),
) -> RecordShape:
    """Return the shape that the document at `place` describes, `common` fields first; WrongMapping otherwise.

    `more` names what the document may hold beside the members of every shape.
    """
    members = place.only(*_MEMBERS, *more)
    name = place.required("name").text()
    if name != place.file.stem:
        members["name"].refuse(f"{name!r} must lie in a file of its own name")
    own = read_fields(members["fields"], tables, units) if "fields" in members else {}
    taken = [own[field].place.fault(f"{field!r} is a common field already") for field in own if field in common]
    if taken:
        raise WrongMapping(taken)
    fields = {**common, **own}
    example = members["example"].plain() if "example" in members else None
    says = place.required("says").text()
    return RecordShape(
        name=name,
        title=place.required("title").text(),
        says=says,
        fields=fields,
        impossible=tuple(_impossibility(item, fields) for item in _list(members, "impossible")),
        judgements=tuple(_judgement(item, fields) for item in _list(members, "judgements")),
        example=example,
        model=_model(name, says, fields, example, is_event=is_event),
        resources=place.required("resources"),
        place=place,
    )


def _list(members: Mapping[str, Located], name: str) -> list[Located]:
    return members[name].items() if name in members else []


def _read_span_shape(place: Located, tables: Mapping[str, CodeTable], units: Units) -> SpanShape:
    shape = read_record_shape(place, {}, tables, units, is_event=False, more=("span",))
    facts: dict[str, Any] = {field.name: getattr(shape, field.name) for field in dataclass_fields(shape)}
    return SpanShape(**facts, span=_span(place.required("span")))


def read_record_shapes(
    documents: Iterable[Located],
    common: Mapping[str, FieldDefinition],
    tables: Mapping[str, CodeTable],
    units: Units,
    *,
    is_event: bool,
) -> dict[str, RecordShape]:
    """Return the shapes in `documents` by name; WrongMapping with the faults of every file."""
    return read_documents(
        documents, lambda document: read_record_shape(document, common, tables, units, is_event=is_event)
    )


def read_span_shapes(
    documents: Iterable[Located], tables: Mapping[str, CodeTable], units: Units
) -> dict[str, SpanShape]:
    """Return the shapes of spans in `documents` by name; WrongMapping with the faults of every file."""
    return read_documents(documents, lambda document: _read_span_shape(document, tables, units))
