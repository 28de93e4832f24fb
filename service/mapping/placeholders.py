"""Compiles the placeholders of a template into functions of the record's values.

What a placeholder may say is told in service/vocabulary/template_language.py.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from service.vocabulary.code_tables import CodeTable, Concept
from service.vocabulary.computed_names import COMPUTED_NAMES
from service.vocabulary.fields import FieldDefinition
from service.vocabulary.template_language import Absence, FieldValue, FixedCode, Lookup, ReferenceTo
from service.vocabulary.units import UCUM, Units
from service.vocabulary.yaml_tree import Located

Values = Mapping[str, Any]
"""What a template is applied to: field names and computed names to values; what is absent has no entry."""

Getter = Callable[[Values], Any]
"""Looks something up in the values; None says that there is nothing."""

DATA_ABSENT_EXTENSION = "http://hl7.org/fhir/StructureDefinition/data-absent-reason"
DATA_ABSENT_SYSTEM = "http://terminology.hl7.org/CodeSystem/data-absent-reason"
_ABSENT_DISPLAYS = {"unknown": "Unknown", "asked-unknown": "Asked But Unknown"}
_PARTS_BY_TYPE = {
    "person": ("role", "name"),
    "identifier": ("system", "value"),
    "patient": ("identifier", "label", "unidentified"),
    "quantity": ("value", "unit"),
    "coding": ("system", "code", "display"),
}

ConceptFinder = Callable[[Values], tuple[str, Concept] | None]
"""Finds the concept, with its name TABLE.CONCEPT, whose codings a placeholder gives; None for a client's own."""


@dataclass(frozen=True, slots=True)
class Finder:
    """One alternative of a placeholder, compiled: what it finds, and for explanations, what it looks at.

    `fields` are the record's fields that the text names, `behind` those that a computed name is computed from.
    """

    text: str
    get: Getter
    fields: tuple[str, ...] = ()
    behind: tuple[str, ...] = ()
    concept: ConceptFinder | None = None


@dataclass(slots=True)
class TemplateScope:
    """What the placeholders of one template may name beside computed names, and a note of what they did name."""

    fields: Mapping[str, FieldDefinition]
    references: frozenset[str]
    tables: Mapping[str, CodeTable]
    units: Units
    used: set[str] = field(default_factory=set)


def _absent_code(values: Values, name: str) -> str:
    return "asked-unknown" if name in values.get("stated_unknown", ()) else "unknown"


def concept_of(value: Any, concepts: Mapping[str, Concept]) -> dict[str, Any] | None:
    """Return the CodeableConcept of a concept field's value: a word's codings, or what the client sent instead."""
    if value is None:
        return None
    if isinstance(value, str):
        known = concepts.get(value)
        return known.codeable_concept if known else {"text": value}
    if "text" in value:
        return {"text": value["text"]}
    display = value.get("display")
    return {"coding": [dict(value)], "text": display} if display else {"coding": [dict(value)]}


def _concept_finder(name: str, table: CodeTable) -> ConceptFinder:
    """Return what finds the word of the table that the field holds."""

    def find(values: Values) -> tuple[str, Concept] | None:
        value = values.get(name)
        concept = table.concepts.get(value) if isinstance(value, str) else None
        return None if concept is None else (f"{table.name}.{concept.name}", concept)

    return find


class PlaceholderCompiler:
    """Compiles the placeholders of one template; every fault names the place of its text."""

    def __init__(self, scope: TemplateScope) -> None:
        self._scope = scope

    def compile(self, lookup: Lookup, place: Located) -> Finder:
        """Return the finder of one alternative; WrongMapping where it names what the record does not have."""
        match lookup:
            case FixedCode(text, name, is_coding):
                return self._fixed(text, name, place, is_coding=is_coding)
            case ReferenceTo(text, name):
                behind = (name,) if name in self._scope.fields else ()
                return Finder(text, self._reference(name, place), behind=behind)
            case Absence(text, name, is_reason):
                self._field(name, place)
                get = _why_absent(name) if is_reason else _absent(name)
                return Finder(text, get, (name,), ("stated_unknown",))
            case FieldValue(text, name, None):
                return self._whole(text, name, place)
            case FieldValue(text, name, form, None):
                return self._formed(text, name, str(form), place)
            case FieldValue(text, name, _, unit_field):
                get = self._quantity_in(name, str(unit_field), place)
                return Finder(text, get, (name, str(unit_field)))

    def _fixed(self, text: str, name: str, place: Located, *, is_coding: bool) -> Finder:
        table_name, _, concept_name = name.partition(".")
        table = self._scope.tables.get(table_name)
        concept = table.concepts.get(concept_name) if table else None
        if concept is None:
            place.refuse(f"there is no concept {name!r} in mappings/codes")
        if is_coding and not concept.codings:
            place.refuse(f"the concept {concept.name!r} has no coding")
        value, found = concept.coding if is_coding else concept.codeable_concept, (name, concept)
        return Finder(text, lambda _values: value, concept=lambda _values: found)

    def _field(self, name: str, place: Located) -> FieldDefinition:
        definition = self._scope.fields.get(name)
        if definition is None:
            place.refuse(f"there is no field {name!r} here")
        self._scope.used.add(name)
        return definition

    def _whole(self, text: str, name: str, place: Located) -> Finder:
        get = self._value(name, place)
        while name not in self._scope.fields and name not in COMPUTED_NAMES:
            name = name.rpartition(".")[0]
        if name in self._scope.fields:
            return Finder(text, get, (name,))
        return Finder(text, get, behind=COMPUTED_NAMES[name].behind)

    def _value(self, name: str, place: Located) -> Getter:
        if name in COMPUTED_NAMES or name in self._scope.fields:
            self._scope.used.add(name)
            return lambda values: values.get(name)
        owner, _, part = name.rpartition(".")
        if not owner:
            place.refuse(f"there is no field {name!r} here")
        if owner not in self._scope.fields:
            outer = self._value(owner, place)
            return lambda values: (outer(values) or {}).get(part)
        definition = self._field(owner, place)
        if definition.table is not None:
            return self._attribute(owner, part, definition.table, place)
        if part not in _PARTS_BY_TYPE.get(definition.type, ()):
            place.refuse(f"the field {owner!r} has no part {part!r}")
        return lambda values: (values.get(owner) or {}).get(part)

    def _attribute(self, name: str, attribute: str, table: CodeTable, place: Located) -> Getter:
        held = {word: concept.attributes.get(attribute) for word, concept in table.concepts.items()}
        if all(value is None for value in held.values()):
            place.refuse(f"no concept of the table {table.name!r} has the attribute {attribute!r}")

        def get(values: Values) -> Any:
            value = values.get(name)
            return held.get(value) if isinstance(value, str) else None

        return get

    def _formed(self, text: str, name: str, form: str, place: Located) -> Finder:
        definition = self._field(name, place)
        get = self._form(name, form, definition, place)
        if form in ("concept", "coding") and definition.table is not None:
            return Finder(text, get, (name,), concept=_concept_finder(name, definition.table))
        return Finder(text, get, (name,))

    def _form(self, name: str, form: str, definition: FieldDefinition, place: Located) -> Getter:
        match form:
            case _ if definition.type == "value":
                return self._observed_value(name, form, place)
            case "concept" if definition.type == "coding":
                return lambda values: concept_of(values.get(name), {})
            case "concept" | "coding" | "text" if definition.table is not None:
                return _concept_form(name, form, definition.table, place)
            case "text":
                return lambda values: None if (value := values.get(name)) is None else as_text(value)
            case "quantity":
                return self._quantity(name, definition, place)
        place.refuse(f"the field {name!r} (a {definition.type}) cannot be written as {form!r}")

    def _observed_value(self, name: str, form: str, place: Located) -> Getter:
        """Return the getter for an observed value, which yields it where it has the form."""
        units = self._scope.units
        match form:
            case "boolean":
                return lambda values: value if isinstance(value := values.get(name), bool) else None
            case "text":
                return lambda values: value if isinstance(value := values.get(name), str) else None
            case "quantity":
                return lambda values: (
                    _fhir_quantity(value["value"], value["unit"], units)
                    if isinstance(value := values.get(name), dict) and "unit" in value
                    else None
                )
            case "concept":
                return lambda values: (
                    concept_of(value, {})
                    if isinstance(value := values.get(name), dict) and "code" in value
                    else None
                )
        place.refuse(f"an observed value is written as boolean, text, quantity or concept, not as {form!r}")

    def _quantity(self, name: str, definition: FieldDefinition, place: Located) -> Getter:
        displays = self._scope.units
        if definition.type == "quantity":

            def own_unit(values: Values) -> Any:
                value = values.get(name)
                return None if value is None else _fhir_quantity(value["value"], value["unit"], displays)

            return own_unit
        unit = definition.unit
        if unit is None:
            place.refuse(f"the field {name!r} has no unit; write <{name} as quantity in UNIT_FIELD>")

        def fixed_unit(values: Values) -> Any:
            value = values.get(name)
            return None if value is None else _fhir_quantity(value, unit, displays)

        return fixed_unit

    def _quantity_in(self, name: str, unit_name: str, place: Located) -> Getter:
        self._field(name, place)
        if self._field(unit_name, place).type != "unit":
            place.refuse(f"the field {unit_name!r} does not hold a unit")
        displays = self._scope.units

        def get(values: Values) -> Any:
            value, unit = values.get(name), values.get(unit_name)
            if value is None:
                return None
            return {"value": value} if unit is None else _fhir_quantity(value, unit, displays)

        return get

    def _reference(self, name: str, place: Located) -> Getter:
        if name not in self._scope.references:
            known = ", ".join(sorted(self._scope.references))
            place.refuse(f"there is nothing called {name!r} to refer to; known are: {known}")
        self._scope.used.add(name)
        key = f"reference {name}"
        return lambda values: values.get(key)


def _concept_form(name: str, form: str, table: CodeTable, place: Located) -> Getter:
    concepts = table.concepts
    if form == "concept":
        return lambda values: concept_of(values.get(name), concepts)
    if form == "text":
        return lambda values: (concept_of(values.get(name), concepts) or {}).get("text")
    bare = [word for word, concept in concepts.items() if not concept.codings]
    if bare:
        place.refuse(f"<{name} as coding> needs a coding for every word; {', '.join(bare)} have none")

    def coding(values: Values) -> Any:
        held = concept_of(values.get(name), concepts)
        return held["coding"][0] if held and "coding" in held else None

    return coding


def _absent(name: str) -> Getter:
    return lambda values: (
        {"extension": [{"url": DATA_ABSENT_EXTENSION, "valueCode": _absent_code(values, name)}]}
        if name not in values
        else None
    )


def _why_absent(name: str) -> Getter:
    def get(values: Values) -> Any:
        if name in values:
            return None
        code = _absent_code(values, name)
        return {"coding": [{"system": DATA_ABSENT_SYSTEM, "code": code, "display": _ABSENT_DISPLAYS[code]}]}

    return get


def as_text(value: Any) -> str:
    """Return a value inside a text: numbers as they were written, booleans as JSON has them."""
    if isinstance(value, bool):
        return "true" if value else "false"
    return str(getattr(value, "literal", value))


def _fhir_quantity(value: Any, unit: str, units: Units) -> dict[str, Any]:
    return {"value": value, "unit": units.display(unit), "system": UCUM, "code": unit}
