"""Placeholders of the mapping language: `<what to look up>` compiled into a function of the record's values.

    <NAME>                        the value of a field, as it was sent; NAME may be a computed name
    <NAME.PART>                   a part of it: an attribute of the concept, or a member of a person or identifier
    <NAME as concept>             a CodeableConcept: the codings of the word, or what the client sent instead
    <NAME as coding>              the first Coding of the word
    <NAME as text>                the word's text, or the number as text
    <NAME as quantity>            a Quantity in the field's own unit
    <NAME as boolean>             of an observed value (type `value`): where it is one; also text, quantity, concept
    <NAME as quantity in OTHER>   a Quantity in the unit that the field OTHER holds
    <code TABLE.CONCEPT>          the CodeableConcept of one fixed concept
    <coding TABLE.CONCEPT>        its first Coding
    <reference ROLE>              a Reference to a resource of the same record or to an anchor of the case
    <absent NAME>                 where NAME has no value: an element with the data-absent-reason extension
    <why-absent NAME>             where NAME has no value: the reason as a CodeableConcept
    <A or B>                      the first of them that has a value

A placeholder inside a longer text gives text: `shock <shock_number>`. Whatever has no value is left out.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from service.vocabulary.code_tables import CodeTable, Concept
from service.vocabulary.fields import FieldDefinition
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
PLACEHOLDER = re.compile(r"<([^<>]+)>")
FIXED_FORMS = ("code", "coding")
"""How the placeholders of one fixed concept begin; they give every record the same."""

_NEVER_ABSENT = frozenset(
    {"resource_id", "received", "version", "activity", "installation", "record_key", "content_hash"}
)
"""Computed names that every record has; an element that looks up nothing else is no sign of a value."""


ConceptFinder = Callable[[Values], tuple[str, Concept] | None]
"""Finds the concept, with its name TABLE.CONCEPT, whose codings a placeholder gives; None for a client's own."""


@dataclass(frozen=True, slots=True)
class Lookup:
    """One alternative of a placeholder: what it finds, and for explanations, what it looks at.

    `fields` are the record's fields that the text names, `behind` those that a computed name is computed from.
    """

    text: str
    get: Getter
    fields: tuple[str, ...]
    behind: tuple[str, ...]
    concept: ConceptFinder | None


@dataclass(slots=True)
class Scope:
    """What the placeholders of one template may name, and a note of what they did name.

    `behind` gives for a computed name the fields that it is computed from.
    """

    fields: Mapping[str, FieldDefinition]
    computed: frozenset[str]
    references: frozenset[str]
    tables: Mapping[str, CodeTable]
    units: Units
    behind: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
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


def _named_concept(value: Any, table: CodeTable) -> tuple[str, Concept] | None:
    concept = table.concepts.get(value) if isinstance(value, str) else None
    return None if concept is None else (f"{table.name}.{concept.name}", concept)


class PlaceholderCompiler:
    """Compiles the placeholders of one template; every fault names the place of its text."""

    def __init__(self, scope: Scope) -> None:
        self._scope = scope

    def compile(self, text: str, place: Located) -> tuple[Lookup, ...]:
        """Return the alternatives in `text`, which is what stands between < and >; the first that finds counts."""
        return tuple(self._lookup(part.strip(), place) for part in text.split(" or "))

    def _lookup(self, text: str, place: Located) -> Lookup:
        getter = self._alternative(text, place)
        fields, behind = self._looked_at(text.split())
        return Lookup(text, getter, fields, behind, self._concept_finder(text.split()))

    def _looked_at(self, words: Sequence[str]) -> tuple[tuple[str, ...], tuple[str, ...]]:
        """Return the fields that a placeholder names, and those behind the computed name in it."""
        match words:
            case ["code" | "coding", _]:
                return (), ()
            case ["reference", name]:
                return (), (name,) if name in self._scope.fields else ()
            case ["absent" | "why-absent", name]:
                return (name,), ("stated_unknown",)
            case [name, "as", "quantity", "in", unit_name]:
                return (name, unit_name), ()
        name = words[0]
        while name not in self._scope.fields and name not in self._scope.computed:
            name = name.rpartition(".")[0]
        return ((name,), ()) if name in self._scope.fields else ((), self._scope.behind.get(name, ()))

    def _concept_finder(self, words: Sequence[str]) -> ConceptFinder | None:
        match words:
            case ["code" | "coding", name]:
                table_name, _, concept_name = name.partition(".")
                found = name, self._scope.tables[table_name].concepts[concept_name]
                return lambda _values: found
            case [name, "as", "concept" | "coding"] if (table := self._scope.fields[name].table) is not None:
                return lambda values: _named_concept(values.get(name), table)
        return None

    def _alternative(self, text: str, place: Located) -> Getter:
        words = text.split()
        match words:
            case ["code", name]:
                concept = self._fixed_concept(name, place)
                return lambda _values: concept.codeable_concept
            case ["coding", name]:
                coding = self._fixed_coding(self._fixed_concept(name, place), place)
                return lambda _values: coding
            case ["reference", name]:
                return self._reference(name, place)
            case ["absent", name]:
                return self._absent(name, place)
            case ["why-absent", name]:
                return self._why_absent(name, place)
            case [name, "as", "quantity", "in", unit_name]:
                return self._quantity_in(name, unit_name, place)
            case [name, "as", form]:
                return self._formed(name, form, place)
            case [name]:
                return self._value(name, place)
        place.refuse(f"the placeholder <{text}> has no form that is known; see docs/mapping-language.md")

    def _field(self, name: str, place: Located) -> FieldDefinition:
        definition = self._scope.fields.get(name)
        if definition is None:
            place.refuse(f"there is no field {name!r} here")
        self._scope.used.add(name)
        return definition

    def _value(self, name: str, place: Located) -> Getter:
        if name in self._scope.computed or name in self._scope.fields:
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

    def _formed(self, name: str, form: str, place: Located) -> Getter:
        definition = self._field(name, place)
        match form:
            case _ if definition.type == "value":
                return self._observed_value(name, form, place)
            case "concept" if definition.type == "coding":
                return lambda values: concept_of(values.get(name), {})
            case "concept" | "coding" | "text" if definition.table is not None:
                return self._concept_form(name, form, definition.table, place)
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

    def _concept_form(self, name: str, form: str, table: CodeTable, place: Located) -> Getter:
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

    def _fixed_concept(self, name: str, place: Located) -> Concept:
        table_name, _, concept_name = name.partition(".")
        table = self._scope.tables.get(table_name)
        concept = table.concepts.get(concept_name) if table else None
        if concept is None:
            place.refuse(f"there is no concept {name!r} in mappings/codes")
        return concept

    def _fixed_coding(self, concept: Concept, place: Located) -> dict[str, str]:
        if not concept.codings:
            place.refuse(f"the concept {concept.name!r} has no coding")
        return concept.coding

    def _reference(self, name: str, place: Located) -> Getter:
        if name not in self._scope.references:
            known = ", ".join(sorted(self._scope.references))
            place.refuse(f"there is nothing called {name!r} to refer to; known are: {known}")
        self._scope.used.add(name)
        key = f"reference {name}"
        return lambda values: values.get(key)

    def _absent(self, name: str, place: Located) -> Getter:
        self._field(name, place)
        return lambda values: (
            {"extension": [{"url": DATA_ABSENT_EXTENSION, "valueCode": _absent_code(values, name)}]}
            if name not in values
            else None
        )

    def _why_absent(self, name: str, place: Located) -> Getter:
        self._field(name, place)

        def get(values: Values) -> Any:
            if name in values:
                return None
            code = _absent_code(values, name)
            return {"coding": [{"system": DATA_ABSENT_SYSTEM, "code": code, "display": _ABSENT_DISPLAYS[code]}]}

        return get


def can_be_absent(text: str) -> bool:
    """Return whether a placeholder of `text` may find nothing: a fixed code never does, a measurement may."""
    return any(
        not any(word.strip() in _NEVER_ABSENT or word.split()[0] in FIXED_FORMS for word in inner.split(" or "))
        for inner in PLACEHOLDER.findall(text)
    )


def as_text(value: Any) -> str:
    """Return a value inside a text: numbers as they were written, booleans as JSON has them."""
    if isinstance(value, bool):
        return "true" if value else "false"
    return str(getattr(value, "literal", value))


def _fhir_quantity(value: Any, unit: str, units: Units) -> dict[str, Any]:
    return {"value": value, "unit": units.display(unit), "system": UCUM, "code": unit}
