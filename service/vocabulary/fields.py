"""Fields of a record as data: their type, their bounds, and the pydantic type that checks them.

A field is written in YAML as a mapping with `type` and what that type takes:

    text        most (length, 2000 by default)
    boolean
    integer     at_least, at_most, above, below, unit (UCUM)
    number      the same
    instant     a time with offset (RFC 3339)
    date        a calendar date
    concept     table: a word of that code table, or a coding, or {text}; with `open: true` any other word is
                taken as a text of its own
    unit        a UCUM code
    quantity    units: the UCUM codes taken; a value with its unit
    person      role and name
    coding      system, code, display
    identifier  system and value
    patient     an identifier, or unidentified with a temporary label
    names       names of other fields of the same record
    samples     samples in millivolts, one after the other; null where nothing was measured
    leads       table: samples by lead, each with its `lead` (a concept of the table) and `samples_millivolts`
    value       the value of an observation: true or false, a number with its unit, a text, or a coding

and for all of them `says` (what the field means, shown in the API description), `required`, `example`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Annotated, Any

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    Field,
    StrictBool,
    StringConstraints,
    ValidationError,
    WithJsonSchema,
    create_model,
)

from service.problems import Code, MappingFault, WrongMapping
from service.records.instants import is_instant, lacks_offset
from service.vocabulary.client_values import (
    SOME_TEXT,
    CodingValue,
    IdentifierValue,
    PatientValue,
    Person,
    ShortText,
    StrictRecord,
    TextValue,
    custom_error,
)
from service.vocabulary.code_tables import CodeTable
from service.vocabulary.units import Units
from service.vocabulary.yaml_tree import Located

_BOUNDS = {"at_least": "ge", "at_most": "le", "above": "gt", "below": "lt"}
_FORMS = {
    "text": ("most",),
    "boolean": (),
    "integer": (*_BOUNDS, "unit"),
    "number": (*_BOUNDS, "unit"),
    "instant": (),
    "date": (),
    "concept": ("table", "open"),
    "unit": (),
    "quantity": ("units", *_BOUNDS),
    "person": (),
    "coding": (),
    "identifier": (),
    "patient": (),
    "names": (),
    "samples": (),
    "leads": ("table",),
    "value": (),
}


@dataclass(frozen=True, slots=True)
class FieldDefinition:
    """One field of a record, as the mapping data describe it."""

    name: str
    type: str
    says: str
    required: bool
    unit: str | None
    table: CodeTable | None
    example: Any
    annotation: Any
    place: Located


def check_instant(value: object) -> str:
    """Return `value` where it is a time with offset, untouched; the error of its problem otherwise."""
    expected = "a time with offset, such as 2031-03-02T10:02:05+01:00"
    if not isinstance(value, str):
        raise custom_error(Code.WRONG_TYPE, "the time is not a text", expected)
    if lacks_offset(value):
        raise custom_error(Code.TIME_WITHOUT_OFFSET, "the time has no offset, so it names no moment", expected)
    if not is_instant(value):
        raise custom_error(
            Code.WRONG_FORM, "the time is not in the form of RFC 3339, or not in the calendar", expected
        )
    return value


Instant = Annotated[
    str,
    BeforeValidator(check_instant),
    WithJsonSchema({"type": "string", "format": "date-time", "examples": ["2031-03-02T10:02:05+01:00"]}),
]


def _check_date(value: str) -> str:
    expected = "a date, such as 2031-03-02"
    try:
        spelled = date.fromisoformat(value).isoformat()
    except ValueError as error:
        raise custom_error(Code.WRONG_FORM, "the date is not in the calendar", expected) from error
    # Python reads other spellings of ISO 8601 too (20310302, 2031-W09-7), which FHIR's date does not have.
    if spelled != value:
        raise custom_error(Code.WRONG_FORM, "the date is not written as FHIR writes one", expected)
    return value


def _concept_annotation(table: CodeTable, *, is_open: bool) -> Any:
    words = ", ".join(table.concepts)
    expected = f"one of: {words}; or a coding {{system, code, display}}; or {{text}}"

    def check(value: object) -> object:
        match value:
            case str():
                if value not in table.concepts and not (is_open and TextValue.is_text(value)):
                    raise custom_error(Code.UNKNOWN_CODE, f"the word is not on the list {table.name!r}", expected)
            case {"text": _}:
                TextValue.model_validate(value)
            case dict():
                CodingValue.model_validate(value)
            case _:
                raise custom_error(Code.WRONG_TYPE, "a word, a coding or a text is wanted", expected)
        return value

    schema = {
        "anyOf": [
            {"type": "string"} if is_open else {"type": "string", "enum": list(table.concepts)},
            CodingValue.model_json_schema(),
            TextValue.model_json_schema(),
        ]
    }
    return Annotated[Any, BeforeValidator(check), WithJsonSchema(schema)]


def _unit_annotation(units: Units) -> Any:
    def check(value: str) -> str:
        if not units.is_unit(value):
            raise custom_error(Code.UNIT_NOT_UCUM, "the unit is not a UCUM code", units.hint(value))
        return value

    return Annotated[str, StringConstraints(min_length=1, max_length=40), AfterValidator(check)]


def _quantity_annotation(place: Located, units: Units) -> Any:
    taken = [unit.text() for unit in place.required("units").items()]
    expected = "one of: " + ", ".join(taken)

    def check(value: str) -> str:
        if value in taken:
            return value
        if not units.is_unit(value):
            raise custom_error(Code.UNIT_NOT_UCUM, "the unit is not a UCUM code", expected)
        raise custom_error(Code.UNIT_NOT_TAKEN, "this unit is not allowed for this field", expected)

    unit = Annotated[str, AfterValidator(check), WithJsonSchema({"type": "string", "enum": taken})]
    value = Annotated[float, Field(**_bounds(place), allow_inf_nan=False)]
    return create_model("Quantity", __base__=StrictRecord, __doc__="A value with its unit.", value=value, unit=unit)


Samples = Annotated[
    list[Annotated[float, Field(ge=-1000, le=1000, allow_inf_nan=False)] | None],
    Field(min_length=1, max_length=200_000),
]
"""Samples in mV. The heart gives a few; a thousand is beyond every amplifier (common practice, no source)."""


def _leads_annotation(table: CodeTable) -> Any:
    lead = create_model(
        "LeadSamples",
        __base__=StrictRecord,
        __doc__="The samples of one lead.",
        lead=(_concept_annotation(table, is_open=False), ...),
        samples_millivolts=(Samples, ...),
    )
    return Annotated[list[lead], Field(min_length=1, max_length=20)]


def _value_annotation(units: Units) -> Any:
    """Return the type of an observation's value: which of FHIR's it becomes follows from its form."""
    expected = "true or false, a text, {value, unit} with a UCUM unit, or a coding {system, code, display}"
    quantity = create_model(
        "ObservedQuantity",
        __base__=StrictRecord,
        value=Annotated[float, Field(allow_inf_nan=False)],
        unit=_unit_annotation(units),
    )

    def check(value: object) -> object:
        match value:
            case bool():
                return value
            case str() if TextValue.is_text(value):
                return value
            case {"value": _}:
                _check_part(quantity, value, expected)
            case {"system": _}:
                _check_part(CodingValue, value, expected)
            case _:
                raise custom_error(
                    Code.WRONG_TYPE, "the value has none of the forms of an observed value", expected
                )
        return value

    forms = [{"type": "boolean"}, {"type": "string"}, quantity.model_json_schema(), CodingValue.model_json_schema()]
    return Annotated[Any, BeforeValidator(check), WithJsonSchema({"anyOf": forms})]


def _check_part(model: type[BaseModel], value: object, expected: str) -> None:
    try:
        model.model_validate(value)
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False)[0]
        own = {code.facts.code: code for code in Code}.get(first["type"], Code.WRONG_FORM)
        raise custom_error(own, "the value is not in one of its forms", expected) from error


def _bounds(place: Located) -> dict[str, Any]:
    members = place.members()
    return {_BOUNDS[name]: members[name].number() for name in _BOUNDS if name in members}


def _annotation(place: Located, form: str, table: CodeTable | None, units: Units) -> Any:
    members = place.members()
    makers: Mapping[str, Callable[[], Any]] = {
        "text": lambda: Annotated[
            str,
            StringConstraints(
                min_length=1,
                max_length=int(members["most"].number()) if "most" in members else 2000,
                pattern=SOME_TEXT,
            ),
        ],
        "boolean": lambda: StrictBool,
        "integer": lambda: Annotated[int, Field(**_bounds(place))],
        "number": lambda: Annotated[float, Field(**_bounds(place), allow_inf_nan=False)],
        "instant": lambda: Instant,
        "date": lambda: Annotated[str, AfterValidator(_check_date)],
        "concept": lambda: _concept_annotation(table, is_open=is_open(place)) if table else Any,
        "unit": lambda: _unit_annotation(units),
        "quantity": lambda: _quantity_annotation(place, units),
        "person": lambda: Person,
        "coding": lambda: CodingValue,
        "identifier": lambda: IdentifierValue,
        "patient": lambda: PatientValue,
        "names": lambda: Annotated[list[ShortText], Field(max_length=100)],
        "samples": lambda: Samples,
        "leads": lambda: _leads_annotation(table) if table else Any,
        "value": lambda: _value_annotation(units),
    }
    return makers[form]()


def is_open(place: Located) -> bool:
    """Return whether a concept field takes words beyond its table."""
    members = place.members()
    return "open" in members and members["open"].flag()


def read_field(name: str, place: Located, tables: Mapping[str, CodeTable], units: Units) -> FieldDefinition:
    """Return the field that the mapping at `place` describes; WrongMapping where it cannot be understood."""
    form = place.required("type").text()
    if form not in _FORMS:
        place.required("type").refuse(f"{form!r} is no field type; known are: {', '.join(_FORMS)}")
    members = place.only("type", "says", "required", "example", *_FORMS[form])
    table = None
    if "table" in _FORMS[form]:
        table_place = place.required("table")
        table = tables.get(table_place.text())
        if table is None:
            table_place.refuse(f"there is no code table {table_place.text()!r}")
    unit = members["unit"].text() if "unit" in members else None
    if unit is not None and unit not in units.displays:
        members["unit"].refuse(f"the unit {unit!r} is not named in units.yaml")
    return FieldDefinition(
        name=name,
        type=form,
        says=place.required("says").text(),
        required="required" in members and members["required"].flag(),
        unit=unit,
        table=table,
        example=members["example"].plain() if "example" in members else None,
        annotation=_annotation(place, form, table, units),
        place=place,
    )


def read_fields(place: Located, tables: Mapping[str, CodeTable], units: Units) -> dict[str, FieldDefinition]:
    """Return all fields of the mapping at `place`; WrongMapping with the faults of all of them."""
    fields: dict[str, FieldDefinition] = {}
    faults: list[MappingFault] = []
    for name, member in place.members().items():
        try:
            fields[name] = read_field(name, member, tables, units)
        except WrongMapping as wrong:
            faults.extend(wrong.faults)
    if faults:
        raise WrongMapping(faults)
    return fields
