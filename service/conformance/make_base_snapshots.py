"""Makes the file of official R4 (4.0.1) snapshots that our profiles build on; run by hand.

`python -m service.conformance.make_base_snapshots OFFICIAL_JAR -o service/conformance/base_snapshots.json` reads
the same Maven artefact as service/checking/make_r4_table.py. The same definitions always give the same bytes.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

from service.checking.make_r4_table import FHIR_VERSION, OfficialDefinitions, UnexpectedDefinitionError

BASE_TYPES = (
    "Composition",
    "Condition",
    "Device",
    "DeviceMetric",
    "Encounter",
    "Extension",
    "Location",
    "MedicationAdministration",
    "Observation",
    "Patient",
    "Procedure",
    "Provenance",
    "Task",
)
"""The types that a template may make and of which a profile can be written, and Extension."""

_ABOUT = (
    "Compiled by service/conformance/make_base_snapshots.py from the FHIR R4 (4.0.1) StructureDefinitions that HL7 "
    "publishes, as carried in the Maven artefact ca.uhn.hapi.fhir:hapi-fhir-validation-resources-r4. HL7 dedicates "
    "the FHIR specification to the public domain (Creative Commons CC0). Comments, requirements, aliases, "
    "examples and mappings are left out, and an element names its constraints. Do not edit; make it again."
)
_FHIR = "{http://hl7.org/fhir}"
_FHIR_TYPE_URL = "http://hl7.org/fhir/StructureDefinition/structuredefinition-fhir-type"
_BEST_PRACTICE_URL = "http://hl7.org/fhir/StructureDefinition/elementdefinition-bestpractice"
_TEXTS = ("short", "definition", "contentReference", "meaningWhenMissing", "orderMeaning", "isModifierReason")
_FLAGS = ("isModifier", "isSummary")
_CONSTRAINT_TEXTS = ("key", "severity", "human", "expression", "xpath", "source")

Node = ElementTree.Element


def _value(node: Node, name: str) -> str | None:
    child = node.find(_FHIR + name)
    return None if child is None else child.get("value")


def _values(node: Node, name: str) -> list[str]:
    return [child.get("value", "") for child in node.findall(_FHIR + name)]


def _present(members: Iterator[tuple[str, Any]]) -> dict[str, Any]:
    return {name: value for name, value in members if value not in (None, [], {})}


def _type(node: Node) -> dict[str, Any]:
    def members() -> Iterator[tuple[str, Any]]:
        for extension in node.findall(_FHIR + "extension"):
            if extension.get("url") == _FHIR_TYPE_URL:
                yield "extension", [{"url": _FHIR_TYPE_URL, "valueUrl": extension[0].get("value")}]
        yield "code", _value(node, "code")
        yield "profile", _values(node, "profile")
        yield "targetProfile", _values(node, "targetProfile")

    return _present(members())


def _binding(node: Node) -> dict[str, Any]:
    return _present((name, _value(node, name)) for name in ("strength", "description", "valueSet"))


def _constraint(node: Node) -> dict[str, Any]:
    def members() -> Iterator[tuple[str, Any]]:
        yield "extension", [_best_practice(one) for one in node.findall(_FHIR + "extension")]
        for name in _CONSTRAINT_TEXTS:
            yield name, _value(node, name)

    return _present(members())


def _best_practice(node: Node) -> dict[str, Any]:
    """Return the extension that marks an invariant as mere best practice, or explains why it is one."""
    url, value = node.get("url", ""), node[0].get("value")
    if not url.startswith(_BEST_PRACTICE_URL):
        raise UnexpectedDefinitionError(f"an invariant has the extension {url}")
    if url == _BEST_PRACTICE_URL:
        return {"url": url, "valueBoolean": value == "true"}
    return {"url": url, "valueMarkdown": value}


def read_element(node: Node) -> dict[str, Any]:
    """Return one element of a snapshot as JSON has it, without what `about` says is left out."""

    def members() -> Iterator[tuple[str, Any]]:
        yield "id", node.get("id")
        yield "path", _value(node, "path")
        for name in _TEXTS:
            yield name, _value(node, name)
        yield "min", int(_value(node, "min") or 0)
        yield "max", _value(node, "max")
        base = node.find(_FHIR + "base")
        if base is not None:
            least = int(_value(base, "min") or 0)
            yield "base", {"path": _value(base, "path"), "min": least, "max": _value(base, "max")}
        yield "type", [_type(kind) for kind in node.findall(_FHIR + "type")]
        yield "condition", _values(node, "condition")
        yield "constraint", [_constraint(one) for one in node.findall(_FHIR + "constraint")]
        for name in _FLAGS:
            flag = _value(node, name)
            yield name, None if flag is None else flag == "true"
        binding = node.find(_FHIR + "binding")
        yield "binding", None if binding is None else _binding(binding)

    return _present(members())


def make_base_snapshots(definitions: OfficialDefinitions) -> dict[str, Any]:
    """Return the whole file: the snapshots by type, and the constraints that their elements name."""
    constraints: dict[str, dict[str, Any]] = {}
    snapshots = {
        name: [_with_named_constraints(read_element(node), constraints) for node in definitions.snapshot(name)]
        for name in BASE_TYPES
    }
    return {"about": _ABOUT, "fhirVersion": FHIR_VERSION, "constraints": constraints, "snapshots": snapshots}


def _with_named_constraints(element: dict[str, Any], constraints: dict[str, dict[str, Any]]) -> dict[str, Any]:
    if "constraint" not in element:
        return element
    return {**element, "constraint": [_name_of(one, constraints) for one in element["constraint"]]}


def _name_of(constraint: dict[str, Any], constraints: dict[str, dict[str, Any]]) -> str:
    """Return the name under which the constraint is in `constraints`, where it is put if it is new."""
    key: str = constraint["key"]
    name = key
    number = 1
    while constraints.setdefault(name, constraint) != constraint:
        number += 1
        name = f"{key}@{number}"
    return name


def write_base_snapshots(snapshots: dict[str, Any]) -> str:
    """Return the text of the file: one element a line, so that a difference can be read."""

    def written(value: object) -> str:
        text: str = json.dumps(value, ensure_ascii=False, separators=(",", ":"))
        return text

    def block(lines: list[str], opening: str, closing: str) -> str:
        return opening + "\n" + ",\n".join(lines) + "\n" + closing

    sections = {name: written(value) for name, value in snapshots.items()}
    sections["constraints"] = block(
        [f"{written(name)}:{written(one)}" for name, one in snapshots["constraints"].items()], "{", "}"
    )
    sections["snapshots"] = block(
        [
            f"{written(name)}:" + block([written(element) for element in elements], "[", "]")
            for name, elements in snapshots["snapshots"].items()
        ],
        "{",
        "}",
    )
    return block([f"{written(name)}:{text}" for name, text in sections.items()], "{", "}") + "\n"


def main() -> None:
    """Write the file that the command line names."""
    parser = argparse.ArgumentParser(description="Make the file of official R4 snapshots that profiles build on.")
    parser.add_argument("jar", type=Path, help="hapi-fhir-validation-resources-r4, of any release")
    parser.add_argument("-o", "--output", type=Path, required=True)
    arguments = parser.parse_args()
    text = write_base_snapshots(make_base_snapshots(OfficialDefinitions(arguments.jar)))
    arguments.output.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
