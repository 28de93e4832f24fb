"""Code tables: each concept of ours, its codings in the public systems, and the source of every code."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from service.vocabulary.yaml_tree import Located, read_documents, read_each


@dataclass(frozen=True, slots=True)
class Coding:
    """One code of one system, with where it was read beside its display."""

    system: str
    code: str
    display: str
    source: str
    place: Located = field(compare=False, repr=False)

    def as_fhir(self) -> dict[str, str]:
        """Return FHIR's Coding."""
        return {"system": self.system, "code": self.code, "display": self.display}


@dataclass(frozen=True, slots=True)
class Concept:
    """One value of a code table. `attributes` are facts that templates and rules may ask for.

    `definition` says what the value means where its name alone does not; every code of our own has one.
    """

    name: str
    text: str
    codings: tuple[Coding, ...]
    attributes: Mapping[str, Any]
    definition: str | None
    codeable_concept: dict[str, Any] = field(compare=False)
    place: Located = field(compare=False, repr=False)

    @property
    def coding(self) -> dict[str, str]:
        """Return the first coding, the one that is used where FHIR takes only one."""
        return self.codings[0].as_fhir()


@dataclass(frozen=True, slots=True)
class CodeTable:
    """The concepts of one field or of one group of fixed codes, by name."""

    name: str
    title: str
    concepts: Mapping[str, Concept]
    place: Located


def read_coding(place: Located, systems: Mapping[str, str]) -> Coding:
    """Return the coding at `place`; WrongMapping where a part of it is missing or its system has no name."""
    members = place.only("system", "code", "display", "source")
    alias = place.required("system")
    system = systems.get(alias.text())
    if system is None:
        alias.refuse(f"the system {alias.text()!r} is not named in codes/systems.yaml")
    code, display, source = (place.required(name).text() for name in ("code", "display", "source"))
    if not source.strip():
        members["source"].refuse("every code needs its source")
    return Coding(system, code, display, source, place)


def _concept(name: str, place: Located, systems: Mapping[str, str]) -> Concept:
    members = place.only("text", "codings", "attributes", "definition")
    text = place.required("text").text()
    codings = (
        tuple(read_coding(item, systems) for item in members["codings"].items()) if "codings" in members else ()
    )
    codeable = {"coding": [coding.as_fhir() for coding in codings], "text": text} if codings else {"text": text}
    attributes = members["attributes"].plain() if "attributes" in members else {}
    definition = members["definition"].text() if "definition" in members else None
    return Concept(name, text, codings, attributes, definition, codeable, place)


def _table(place: Located, systems: Mapping[str, str]) -> CodeTable:
    members = place.only("table", "title", "concepts")
    name = place.required("table").text()
    if name != place.file.stem:
        members["table"].refuse(f"the table {name!r} must lie in a file of its own name")
    concepts = read_each(
        place.required("concepts").members().items(), lambda word, concept: _concept(word, concept, systems)
    )
    return CodeTable(name, place.required("title").text(), concepts, place)


def read_code_tables(systems_document: Located, documents: Iterable[Located]) -> dict[str, CodeTable]:
    """Return the tables in `documents` by name; `systems_document` gives each alias of a system its URI.

    Raises WrongMapping with every fault of every file.
    """
    systems = {alias: uri.text() for alias, uri in systems_document.members().items()}
    return read_documents(documents, lambda document: _table(document, systems))
