"""Makes the table that the checking stage reads, out of the official FHIR R4 (4.0.1) definitions; run by hand.

`python -m service.checking.make_r4_table OFFICIAL_JAR -o service/checking/r4_table.json` reads the definitions
in the Maven artefact `ca.uhn.hapi.fhir:hapi-fhir-validation-resources-r4`, which carries HL7's own XML files.
The same definitions always give the same bytes.
"""

from __future__ import annotations

import argparse
import json
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

COVERED_RESOURCES = (
    "AuditEvent",
    "Binary",
    "Bundle",
    "CapabilityStatement",
    "Communication",
    "Composition",
    "Condition",
    "DetectedIssue",
    "Device",
    "DeviceMetric",
    "DiagnosticReport",
    "DocumentReference",
    "Encounter",
    "Flag",
    "List",
    "Location",
    "Media",
    "Medication",
    "MedicationAdministration",
    "Observation",
    "OperationOutcome",
    "Organization",
    "Parameters",
    "Patient",
    "Practitioner",
    "Procedure",
    "Provenance",
    "ServiceRequest",
    "Task",
)
"""The resource types that the service makes or takes."""

FHIR_VERSION = "4.0.1"

_ABOUT = (
    "Compiled by service/checking/make_r4_table.py from the FHIR R4 (4.0.1) definitions published by HL7 "
    "(StructureDefinitions, ValueSets, CodeSystems, the narrative schema), as carried in the Maven artefact "
    "ca.uhn.hapi.fhir:hapi-fhir-validation-resources-r4. HL7 dedicates the FHIR specification to the public "
    "domain (Creative Commons CC0). Do not edit; make it again."
)
_DEFINITIONS = "org/hl7/fhir/r4/model/"
_FHIR = "{http://hl7.org/fhir}"
_SCHEMA = "{http://www.w3.org/2001/XMLSchema}"
_STRUCTURE_URL = "http://hl7.org/fhir/StructureDefinition/"
_REGEX_URL = _STRUCTURE_URL + "regex"
_FHIR_TYPE_URL = _STRUCTURE_URL + "structuredefinition-fhir-type"
_SYSTEM_TYPE = "http://hl7.org/fhirpath/System."
_UNIVERSAL = {"ele-1": "Element", "ext-1": "Extension"}
"""Invariants that every element repeats; each is kept on the type that it belongs to."""

Node = ElementTree.Element


class UnexpectedDefinitionError(ValueError):
    """The definitions say something that the table has no form for."""


def _value(node: Node, name: str) -> str | None:
    child = node.find(_FHIR + name)
    return None if child is None else child.get("value")


def _required_value(node: Node, name: str) -> str:
    value = _value(node, name)
    if value is None:
        raise UnexpectedDefinitionError(f"{node.tag} has no {name}")
    return value


def _extension_value(node: Node, url: str) -> str | None:
    for extension in node.findall(_FHIR + "extension"):
        if extension.get("url") == url:
            return extension[0].get("value")
    return None


def _last_segment(url: str) -> str:
    return url.split("|", maxsplit=1)[0].rsplit("/", maxsplit=1)[-1]


def _parse(archive: zipfile.ZipFile, name: str) -> Node:
    # The file is HL7's, out of an artefact that the caller names; the service itself never parses XML here.
    return ElementTree.fromstring(archive.read(_DEFINITIONS + name))  # noqa: S314


def _resources(archive: zipfile.ZipFile, name: str) -> Iterator[Node]:
    for entry in _parse(archive, name).findall(_FHIR + "entry"):
        resource = entry.find(_FHIR + "resource")
        if resource is not None:
            yield resource[0]


class OfficialDefinitions:
    """The definitions of one archive, by name or canonical address."""

    def __init__(self, jar: Path) -> None:
        self.structures: dict[str, Node] = {}
        self.value_sets: dict[str, Node] = {}
        self.code_systems: dict[str, Node] = {}
        with zipfile.ZipFile(jar) as archive:
            for file in ("profile/profiles-types.xml", "profile/profiles-resources.xml"):
                for resource in _resources(archive, file):
                    if resource.tag == _FHIR + "StructureDefinition":
                        self.structures[_required_value(resource, "name")] = resource
            for file in ("valueset/valuesets.xml", "valueset/v3-codesystems.xml"):
                for resource in _resources(archive, file):
                    kept = self.value_sets if resource.tag == _FHIR + "ValueSet" else self.code_systems
                    kept[_required_value(resource, "url")] = resource
            self.narrative_schema = _parse(archive, "schema/fhir-xhtml.xsd")

    def snapshot(self, name: str) -> list[Node]:
        """Return the elements of a type, its root first; only for version 4.0.1."""
        structure = self.structures[name]
        if _value(structure, "fhirVersion") != FHIR_VERSION:
            raise UnexpectedDefinitionError(f"{name} is not of version {FHIR_VERSION}")
        snapshot = structure.find(_FHIR + "snapshot")
        if snapshot is None:
            raise UnexpectedDefinitionError(f"{name} has no snapshot")
        return snapshot.findall(_FHIR + "element")


class TableMaker:
    """Collects what the covered resources reach: their elements, types, value sets and invariants."""

    def __init__(self, definitions: OfficialDefinitions) -> None:
        self._definitions = definitions
        self._types: dict[str, dict[str, Any]] = {}
        self._primitives: dict[str, dict[str, str]] = {}
        self._value_sets: dict[str, dict[str, list[str] | None]] = {}
        self._invariants: dict[str, dict[str, str]] = {}
        self._waiting: list[str] = []

    def make(self) -> dict[str, Any]:
        """Return the whole table."""
        self._waiting = [*COVERED_RESOURCES, "Element", "Extension"]
        done: set[str] = set()
        while self._waiting:
            name = self._waiting.pop()
            if name not in done:
                done.add(name)
                self._take_type(name)
        return {
            "about": _ABOUT,
            "fhirVersion": FHIR_VERSION,
            "invariants": self._invariants,
            "narrative": _narrative_elements(self._definitions.narrative_schema),
            "primitives": self._primitives,
            "resources": list(COVERED_RESOURCES),
            "resourceTypes": self._codes_of_system("http://hl7.org/fhir/resource-types"),
            "types": self._types,
            "valueSets": self._value_sets,
        }

    def _take_type(self, name: str) -> None:
        structure = self._definitions.structures[name]
        if _value(structure, "kind") == "primitive-type":
            self._take_primitive(name, structure)
            return
        elements = self._definitions.snapshot(name)
        root = _required_value(elements[0], "path")
        for element in elements:
            # A profile such as SimpleQuantity keeps the paths of its type; the table calls it by its own name.
            path = name + _required_value(element, "path")[len(root) :]
            parent, _, last = path.rpartition(".")
            if parent:
                self._types[parent]["elements"][last] = self._element(element, name, path)
            else:
                self._open_type(path, element)

    def _open_type(self, path: str, element: Node) -> None:
        self._types[path] = {"elements": {}}
        invariants = self._invariants_of(element, path)
        if invariants:
            self._types[path]["invariants"] = invariants

    def _take_primitive(self, name: str, structure: Node) -> None:
        primitive = {"base": _last_segment(_required_value(structure, "baseDefinition"))}
        for element in self._definitions.snapshot(name):
            if _value(element, "path") != f"{name}.value":
                continue
            for kind in element.findall(_FHIR + "type"):
                regex = _extension_value(kind, _REGEX_URL)
                if regex is not None:
                    primitive["regex"] = regex
            for limit in ("minValueInteger", "maxValueInteger", "maxLength"):
                value = _value(element, limit)
                if value is not None:
                    primitive[limit] = value
        self._primitives[name] = primitive

    def _element(self, element: Node, owner: str, path: str) -> dict[str, Any]:
        minimum, maximum = _required_value(element, "min"), _required_value(element, "max")
        if minimum not in {"0", "1"} or maximum not in {"0", "1", "*"}:
            raise UnexpectedDefinitionError(f"{path} has the cardinality {minimum}..{maximum}")
        entry: dict[str, Any] = {}
        if minimum != "0":
            entry["min"] = int(minimum)
        if maximum != "1":
            entry["max"] = maximum
        content = _value(element, "contentReference")
        if content is not None:
            entry["content"] = content.removeprefix("#")
            return entry
        entry["types"] = self._types_of(element, owner, path)
        targets = sorted(
            {
                _last_segment(target.get("value", ""))
                for kind in element.findall(_FHIR + "type")
                if _value(kind, "code") == "Reference"
                for target in kind.findall(_FHIR + "targetProfile")
            }
        )
        if targets:
            entry["targets"] = targets
        binding = element.find(_FHIR + "binding")
        if binding is not None and _value(binding, "strength") == "required":
            entry["binding"] = self._take_value_set(_required_value(binding, "valueSet"))
        if entry["types"] in (["BackboneElement"], ["Element"]) and path not in self._types:
            # The element has elements of its own: it is a type, called by its path.
            self._open_type(path, element)
            entry["types"] = [path]
        else:
            invariants = self._invariants_of(element, path)
            if invariants:
                entry["invariants"] = invariants
        return entry

    def _types_of(self, element: Node, owner: str, path: str) -> list[str]:
        names: list[str] = []
        for kind in element.findall(_FHIR + "type"):
            code = _required_value(kind, "code")
            if code.startswith(_SYSTEM_TYPE):
                # These are XML attributes (id and Extension.url): they take no extensions, hence the mark.
                # The id of a resource is declared as a string, yet its definition says "id" (R4, resource.html).
                fhir_type = _extension_value(kind, _FHIR_TYPE_URL) or "string"
                is_resource_id = path == f"{owner}.id" and owner in COVERED_RESOURCES
                fhir_type = "id" if is_resource_id else fhir_type
                self._waiting.append(fhir_type)
                names.append("@" + fhir_type)
                continue
            profiles = [_last_segment(p.get("value", "")) for p in kind.findall(_FHIR + "profile")]
            if len(profiles) > 1:
                raise UnexpectedDefinitionError(f"{path} has a type with several profiles")
            name = profiles[0] if profiles else code
            if name not in {"BackboneElement", "Resource"}:
                self._waiting.append(name)
            names.append(name)
        return names

    def _invariants_of(self, element: Node, path: str) -> list[str]:
        names = []
        for constraint in element.findall(_FHIR + "constraint"):
            key = _required_value(constraint, "key")
            if _UNIVERSAL.get(key, path) != path:
                continue
            rule = {
                "severity": _required_value(constraint, "severity"),
                "human": _required_value(constraint, "human"),
                "expression": _required_value(constraint, "expression"),
            }
            if self._invariants.get(key, rule) != rule:
                # R4 uses one key for two rules (inv-1 of Task and of Parameters); the second gets its path.
                key = f"{key}@{path}"
            self._invariants[key] = rule
            names.append(key)
        return sorted(names)

    def _take_value_set(self, url: str) -> str:
        name = _last_segment(url)
        if name not in self._value_sets:
            self._value_sets[name] = self._codes_of_value_set(url.split("|", maxsplit=1)[0])
        return name

    def _codes_of_value_set(self, url: str) -> dict[str, list[str] | None]:
        compose = self._definitions.value_sets[url].find(_FHIR + "compose")
        if compose is None or compose.find(_FHIR + "exclude") is not None:
            raise UnexpectedDefinitionError(f"the value set {url} has no plain list of includes")
        codes: dict[str, list[str] | None] = {}
        for include in compose.findall(_FHIR + "include"):
            if include.find(_FHIR + "filter") is not None or include.find(_FHIR + "valueSet") is not None:
                raise UnexpectedDefinitionError(f"the value set {url} is not a list of codes")
            system = _required_value(include, "system")
            listed = [_required_value(concept, "code") for concept in include.findall(_FHIR + "concept")]
            if listed:
                codes[system] = sorted(listed)
            elif system in self._definitions.code_systems:
                codes[system] = self._codes_of_system(system)
            else:
                # Outside registries (media types, currencies) are not in the definitions: null says "any code".
                codes[system] = None
        return codes

    def _codes_of_system(self, url: str) -> list[str]:
        system = self._definitions.code_systems[url]
        if _value(system, "content") != "complete":
            raise UnexpectedDefinitionError(f"the code system {url} is not complete")
        return sorted(_required_value(concept, "code") for concept in system.iter(_FHIR + "concept"))


def _narrative_elements(schema: Node) -> dict[str, list[str]]:
    groups = {group.get("name"): group for group in schema.findall(_SCHEMA + "attributeGroup")}
    kinds = {kind.get("name"): kind for kind in schema.findall(_SCHEMA + "complexType")}
    nested = {_SCHEMA + name for name in ("complexContent", "complexType", "simpleContent")}

    def attributes(node: Node) -> set[str]:
        found: set[str] = set()
        for child in node:
            if child.tag == _SCHEMA + "attribute" and child.get("use") != "prohibited":
                found.add(child.get("name") or child.get("ref") or "")
            elif child.tag == _SCHEMA + "attributeGroup":
                found |= attributes(groups[child.get("ref")])
            elif child.tag == _SCHEMA + "extension":
                base = kinds.get(child.get("base"))
                found |= attributes(child) | (set() if base is None else attributes(base))
            elif child.tag in nested:
                found |= attributes(child)
        return found

    elements: dict[str, list[str]] = {}
    for element in schema.findall(_SCHEMA + "element"):
        kind = kinds.get(element.get("type"))
        own = attributes(element) | (set() if kind is None else attributes(kind))
        elements[element.get("name") or ""] = sorted(own)
    return elements


def write_table(table: dict[str, Any]) -> str:
    """Return the table as JSON, sorted, with one line for each element, so that a difference can be read."""

    def written(value: Any) -> str:
        return json.dumps(value, ensure_ascii=False, sort_keys=True, separators=(",", ":"))

    def block(members: dict[str, str]) -> str:
        return "{\n" + ",\n".join(f"{written(name)}:{text}" for name, text in sorted(members.items())) + "\n}"

    def type_block(entry: dict[str, Any]) -> str:
        elements = block({name: written(element) for name, element in entry["elements"].items()})
        rest = {name: written(value) for name, value in entry.items() if name != "elements"}
        return block({**rest, "elements": elements})

    sections = {name: written(value) for name, value in table.items()}
    for name in ("invariants", "narrative", "primitives", "valueSets"):
        sections[name] = block({key: written(value) for key, value in table[name].items()})
    sections["types"] = block({name: type_block(entry) for name, entry in table["types"].items()})
    return block(sections) + "\n"


def make_table(jar: Path) -> str:
    """Return the text of the table made from `jar`; the same definitions give the same text.

    Raises UnexpectedDefinitionError where the definitions say something that the table has no form for.
    """
    return write_table(TableMaker(OfficialDefinitions(jar)).make())


def main() -> None:
    """Write the table to the file that the command line names."""
    parser = argparse.ArgumentParser(description="Make the table of FHIR R4 that the checking stage reads.")
    parser.add_argument("jar", type=Path, help="hapi-fhir-validation-resources-r4, of any release")
    parser.add_argument("-o", "--output", type=Path, required=True)
    arguments = parser.parse_args()
    arguments.output.write_text(make_table(arguments.jar), encoding="utf-8")


if __name__ == "__main__":
    main()
