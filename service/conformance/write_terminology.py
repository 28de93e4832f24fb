"""Writes the code tables as FHIR terminology: CodeSystems, ValueSets and ConceptMaps."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from service.conformance.canonical import CODES_NOTICE, OWN_SYSTEM, canonical, conformance_resource, fhir_id
from service.conformance.outline_template import Fixed
from service.conformance.plan_profiles import Profile
from service.mapping.apply_mapping import RecordMapping
from service.mapping.load_mappings import Mappings
from service.vocabulary.code_tables import CodeTable, Coding, Concept
from service.vocabulary.fields import FieldDefinition
from service.vocabulary.load_vocabulary import Vocabulary
from service.vocabulary.units import UCUM

VOCABULARY_ID = "event-vocabulary"
VOCABULARY_SYSTEM = canonical("CodeSystem", VOCABULARY_ID)
"""The CodeSystem of the words that clients send: `event.KIND`, `check_item.ITEM` and `TABLE.WORD`."""

_RELATED = "relatedto"
"""How a word of ours stands to a public code: they overlap, and how far was never judged by a terminologist."""

_SAME = "equal"
"""How a word of ours stands to a code of our own CodeSystem: both are defined here, as one thing."""


def _own_codings(vocabulary: Vocabulary) -> Iterator[tuple[Coding, Concept]]:
    for table in vocabulary.tables.values():
        for concept in table.concepts.values():
            for coding in concept.codings:
                if coding.system == OWN_SYSTEM:
                    yield coding, concept


def own_code_system(vocabulary: Vocabulary) -> dict[str, Any]:
    """Return the CodeSystem of the project's own codes, each with its definition, in the order of the codes."""
    concepts = {
        coding.code: {
            "code": coding.code,
            "display": coding.display,
            "definition": concept.definition or concept.text,
        }
        for coding, concept in _own_codings(vocabulary)
    }
    description = "What is recorded of resuscitations and device checks and has no public code that was verified."
    return _code_system("resuscitation", "Resuscitation and device checks", description, concepts)


def _code_system(
    identifier: str, title: str, description: str, concepts: Mapping[str, dict[str, str]]
) -> dict[str, Any]:
    return {
        **conformance_resource("CodeSystem", identifier, title, description),
        "caseSensitive": True,
        "content": "complete",
        "count": len(concepts),
        "concept": [concepts[code] for code in sorted(concepts)],
    }


class EventVocabulary:
    """The words that clients send, each with the codings that our resources give it."""

    def __init__(self, vocabulary: Vocabulary, mappings: Mappings, profiles: Iterable[Profile]) -> None:
        self._words: dict[str, tuple[dict[str, str], tuple[Coding, ...]]] = {}
        self._by_rule = {rule: profile for profile in profiles for rule in profile.rules}
        self._aliases = {
            uri.text(): alias for alias, uri in vocabulary.data.document("codes/systems.yaml").members().items()
        }
        for prefix, records in (("event", mappings.events), ("check_item", mappings.check_items)):
            for name, mapping in records.items():
                self._add(f"{prefix}.{name}", mapping.shape.title, mapping.shape.says, self._codings_of(mapping))
        for table in vocabulary.tables.values():
            for concept in table.concepts.values():
                definition = concept.definition or f"{table.title}: {concept.text}"
                self._add(f"{table.name}.{concept.name}", concept.text, definition, concept.codings)

    def _add(self, code: str, display: str, definition: str, codings: tuple[Coding, ...]) -> None:
        self._words[code] = ({"code": code, "display": display, "definition": definition}, codings)

    def _codings_of(self, mapping: RecordMapping) -> tuple[Coding, ...]:
        """Return the codings of a record as a whole: those of its first resource, where its code is fixed."""
        profile = self._by_rule.get(mapping.templates[0].rule) if mapping.templates else None
        code = profile.outline.members.get("code") if profile else None
        if code is None or not isinstance(code.content, Fixed) or code.content.concept is None:
            return ()
        return code.content.concept.codings

    def code_system(self) -> dict[str, Any]:
        """Return the CodeSystem of the words."""
        description = (
            "The words in which events and device checks are sent to the service: kinds of events, items of a "
            "check, and TABLE.WORD for the words of a code table. They do not stand in resources, which hold "
            "the codings that the concept maps give for them."
        )
        concepts = {code: concept for code, (concept, _) in self._words.items()}
        return _code_system(VOCABULARY_ID, "Words of events and device checks", description, concepts)

    def concept_maps(self) -> list[dict[str, Any]]:
        """Return a ConceptMap for each system that has codes for some of the words."""
        systems = {coding.system for _, codings in self._words.values() for coding in codings}
        return [self._concept_map(system) for system in sorted(systems)]

    def _concept_map(self, system: str) -> dict[str, Any]:
        alias = self._aliases.get(system, fhir_id(system))
        equivalence = _SAME if system == OWN_SYSTEM else _RELATED
        elements = []
        for code in sorted(self._words):
            concept, codings = self._words[code]
            targets = [_target(coding, equivalence) for coding in codings if coding.system == system]
            if targets:
                elements.append({"code": code, "display": concept["display"], "target": targets})
        description = f"The codes of {system} that resources hold for the words of events and device checks. " + (
            "Word and code are defined together and mean the same."
            if system == OWN_SYSTEM
            else "'relatedto' is all that is claimed: each code was read beside its display in the source that "
            "its comment names, and no terminologist has judged how far the meanings agree."
        )
        identifier = fhir_id(f"{VOCABULARY_ID}-to-{alias}")
        return {
            **conformance_resource("ConceptMap", identifier, f"Words of events and checks to {alias}", description),
            "copyright": CODES_NOTICE,
            "group": [{"source": VOCABULARY_SYSTEM, "target": system, "element": elements}],
        }


def _target(coding: Coding, equivalence: str) -> dict[str, str]:
    return {
        "code": coding.code,
        "display": coding.display,
        "equivalence": equivalence,
        "comment": f"Source of the code: {coding.source}",
    }


def _fields(vocabulary: Vocabulary) -> Iterator[tuple[str, FieldDefinition]]:
    shapes = [*vocabulary.events.values(), vocabulary.case, vocabulary.device, vocabulary.check]
    for shape in [*shapes, *vocabulary.check_items.values(), *vocabulary.spans.values()]:
        for field in shape.fields.values():
            yield shape.name, field


def value_sets(vocabulary: Vocabulary) -> list[dict[str, Any]]:
    """Return a ValueSet for each code table that a field uses, and for each field that takes several units."""
    tables = {field.table.name: field.table for _, field in _fields(vocabulary) if field.table is not None}
    made = [_table_value_set(tables[name]) for name in sorted(tables)]
    units = {field.name: field for _, field in _fields(vocabulary) if field.type == "quantity"}
    made += [_units_value_set(units[name], vocabulary) for name in sorted(units)]
    return [value_set for value_set in made if value_set["compose"]["include"]]


def _table_value_set(table: CodeTable) -> dict[str, Any]:
    codings = [coding for concept in table.concepts.values() for coding in concept.codings]
    displays: dict[str, dict[str, str]] = {}
    for coding in codings:
        displays.setdefault(coding.system, {}).setdefault(coding.code, coding.display)
    description = f"The codes that resources hold for the words of the code table {table.name!r}."
    return {
        **conformance_resource("ValueSet", fhir_id(table.name), table.title, description),
        "copyright": CODES_NOTICE,
        "compose": {
            "include": [
                {"system": system, "concept": [{"code": code, "display": text} for code, text in codes.items()]}
                for system, codes in displays.items()
            ]
        },
    }


def _units_value_set(field: FieldDefinition, vocabulary: Vocabulary) -> dict[str, Any]:
    units = [unit.text() for unit in field.place.required("units").items()]
    description = f"The units (UCUM) that are taken for {field.name!r}: {field.says}"
    concepts = [{"code": unit, "display": vocabulary.units.display(unit)} for unit in units]
    return {
        **conformance_resource("ValueSet", fhir_id("units", field.name), f"Units of {field.name}", description),
        "compose": {"include": [{"system": UCUM, "concept": concepts}]},
    }
