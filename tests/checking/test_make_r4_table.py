"""The committed table of R4 says where it came from, and making it again gives the same bytes."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from service.checking.make_r4_table import COVERED_RESOURCES, FHIR_VERSION, write_table
from service.checking.table import TYPES

TABLE = Path(__file__).parents[2] / "service" / "checking" / "r4_table.json"


def test_the_committed_table_says_where_it_came_from_and_is_small() -> None:
    text = TABLE.read_text(encoding="utf-8")
    table = json.loads(text)

    assert "CC0" in table["about"]
    assert table["fhirVersion"] == FHIR_VERSION == "4.0.1"
    assert tuple(table["resources"]) == COVERED_RESOURCES
    assert len(text) < 250_000


def test_writing_what_was_read_gives_the_same_bytes() -> None:
    text = TABLE.read_text(encoding="utf-8")

    assert write_table(json.loads(text)) == text


def test_the_table_reaches_nothing_that_it_does_not_hold() -> None:
    table = json.loads(TABLE.read_text(encoding="utf-8"))
    known = {*table["types"], *table["primitives"], "Resource"}
    for name, definition in table["types"].items():
        for element in definition["elements"].values():
            assert {kind.removeprefix("@") for kind in element.get("types", [element.get("content")])} <= known, (
                name
            )
            assert element.get("binding") in {None, *table["valueSets"]}
            assert set(element.get("targets", ())) <= {*table["resourceTypes"], "Resource"}
            assert set(element.get("invariants", ())) <= set(table["invariants"])
        assert set(definition.get("invariants", ())) <= set(table["invariants"])


@pytest.mark.parametrize(
    ("path", "name", "required", "maximum", "types"),
    [
        ("Observation", "status", True, "1", {"code"}),
        ("Observation", "component", False, "*", {"Observation.component"}),
        ("Observation.component", "referenceRange", False, "*", {"Observation.referenceRange"}),
        ("Procedure", "usedReference", False, "*", {"Reference"}),
        ("Patient", "deceased[x]", False, "1", {"boolean", "dateTime"}),
        ("MedicationAdministration", "medication[x]", True, "1", {"CodeableConcept", "Reference"}),
        ("SampledData", "dimensions", True, "1", {"positiveInt"}),
        ("Encounter", "class", True, "1", {"Coding"}),
    ],
)
def test_elements_known_by_heart_are_as_r4_prints_them(
    path: str,
    name: str,
    required: bool,  # noqa: FBT001 - pytest hands it over by name.
    maximum: str,
    types: set[str],
) -> None:
    (element,) = [element for element in TYPES[path].elements if element.name == name]

    assert (element.is_required, element.maximum, set(element.types)) == (required, maximum, types)


def test_the_targets_of_a_subject_are_those_of_r4_and_not_those_of_r4b() -> None:
    (subject,) = [element for element in TYPES["Observation"].elements if element.name == "subject"]

    assert subject.targets == {"Patient", "Group", "Device", "Location"}
