"""The FHIR package holds what the mapping data hold, reads as R4 everywhere, and is the same to the byte."""

from __future__ import annotations

import io
import os
import subprocess
import sys
import tarfile
from pathlib import Path
from typing import Any

import pytest

from service import __version__
from service.checking.check_resource import check_resource
from service.checking.table import COVERED_RESOURCES
from service.conformance.base_snapshots import base_snapshot
from service.conformance.canonical import OWN_SYSTEM, PACKAGE_NAME
from service.conformance.gather_examples import EXAMPLE_INSTALLATION
from service.conformance.plan_profiles import plan_profiles, unprofiled_types
from service.conformance.write_package import build_package, package_files, write_package
from service.conformance.write_terminology import VOCABULARY_SYSTEM
from service.data_folders import data_folder
from service.exact_json import read_json, write_json
from service.making.stages import load_stages
from service.mapping.record_values import CANONICAL
from tests.support.fhir_package import archive_of, of_type, profile_url, shipped_package, shipped_stages
from tests.support.fhirkit_reader import read_with_fhirkit
from tests.support.second_reader import second_reading

EVERYTHING = [*shipped_package().conformance, *shipped_package().examples]
PROFILES = [one for one in of_type("StructureDefinition") if one["kind"] == "resource"]


def _name(resource: dict[str, Any]) -> str:
    return f"{resource['resourceType']}/{resource['id']}"


def _codings() -> list[tuple[str, str, str]]:
    """Return the system and the code of every coding in the code tables, with the word `TABLE.WORD`."""
    return [
        (coding.system, coding.code, f"{table.name}.{concept.name}")
        for table in shipped_stages().vocabulary.tables.values()
        for concept in table.concepts.values()
        for coding in concept.codings
    ]


def test_two_processes_with_other_hash_seeds_write_the_same_bytes(tmp_path: Path) -> None:
    written = []
    for seed in ("1", "2"):
        file = tmp_path / f"{seed}.tgz"
        subprocess.run(
            [sys.executable, "-m", "service", "mappings", "package", "-o", str(file)],
            env={**os.environ, "PYTHONHASHSEED": seed, "TZ": f"UTC+{seed}"},
            check=True,
            capture_output=True,
        )
        written.append(file.read_bytes())
    assert written[0] == written[1]
    assert written[0] == archive_of(shipped_package())


def test_the_archive_holds_nothing_of_when_where_or_by_whom_it_was_made() -> None:
    content = archive_of(shipped_package())
    # The gzip header (RFC 1952): no flags, so no file name; no time; no operating system.
    assert content[:10] == b"\x1f\x8b\x08\x00\x00\x00\x00\x00\x02\xff"
    with tarfile.open(fileobj=io.BytesIO(content)) as tar:
        entries = tar.getmembers()
    assert {(one.mtime, one.uid, one.gid, one.uname, one.gname, one.mode) for one in entries} == {
        (0, 0, 0, "", "", 0o644)
    }
    names = [one.name for one in entries]
    assert names[:2] == ["package/package.json", "package/.index.json"]
    assert names[2:] == sorted(names[2:])


def test_the_manifest_says_what_the_package_is() -> None:
    manifest = read_json(package_files(shipped_package())["package/package.json"])
    assert manifest["name"] == PACKAGE_NAME == PACKAGE_NAME.lower()
    assert manifest["version"] == __version__
    assert manifest["fhirVersions"] == ["4.0.1"]
    assert manifest["dependencies"] == {"hl7.fhir.r4.core": "4.0.1"}
    assert manifest["canonical"] == CANONICAL


@pytest.mark.parametrize(
    ("folder", "resources"),
    [("package", shipped_package().conformance), ("package/examples", shipped_package().examples)],
)
def test_the_index_of_a_folder_lists_its_files_and_what_they_hold(
    folder: str, resources: tuple[dict[str, Any], ...]
) -> None:
    files = package_files(shipped_package())
    index = read_json(files[f"{folder}/.index.json"])
    assert index["index-version"] == 2
    for entry, resource in zip(index["files"], resources, strict=True):
        assert read_json(files[f"{folder}/{entry['filename']}"]) == read_json(write_json(resource))
        for name in ("resourceType", "id", "url", "version", "kind", "type"):
            assert entry.get(name) == (resource.get(name) if isinstance(resource.get(name), str) else None)


@pytest.mark.parametrize("resource", EVERYTHING, ids=_name)
def test_a_resource_of_the_package_is_valid_r4(resource: dict[str, Any]) -> None:
    as_read = read_json(write_json(resource))
    if resource["resourceType"] in COVERED_RESOURCES:
        assert [str(finding) for finding in check_resource(as_read) if finding.severity == "error"] == []
    assert [str(finding) for finding in second_reading(as_read)] == []
    assert [str(issue) for issue in read_with_fhirkit(as_read).errors] == []


def test_no_two_conformance_resources_share_an_address_or_a_name() -> None:
    conformance = shipped_package().conformance
    assert len({one["url"] for one in conformance}) == len(conformance)
    assert len({(one["resourceType"], one["name"]) for one in conformance}) == len(conformance)
    for one in conformance:
        assert one["url"] == f"{CANONICAL}/{one['resourceType']}/{one['id']}"


def test_every_own_code_stands_in_the_code_system_with_its_definition() -> None:
    [system] = [one for one in of_type("CodeSystem") if one["url"] == OWN_SYSTEM]
    codes = [concept["code"] for concept in system["concept"]]
    assert sorted(codes) == codes
    assert set(codes) == {code for uri, code, _ in _codings() if uri == OWN_SYSTEM}
    assert len(codes) == system["count"]
    assert system["content"] == "complete"
    assert system["caseSensitive"] is True
    for concept in system["concept"]:
        assert concept["definition"].strip(), concept["code"]


def test_every_code_of_the_tables_is_the_target_of_its_word_in_a_concept_map() -> None:
    mapped = {
        (group["target"], target["code"], element["code"])
        for one in of_type("ConceptMap")
        for group in one["group"]
        for element in group["element"]
        for target in element["target"]
    }
    assert [coding for coding in _codings() if coding not in mapped] == []


def test_a_concept_map_claims_sameness_for_own_codes_only() -> None:
    for one in of_type("ConceptMap"):
        [group] = one["group"]
        assert group["source"] == VOCABULARY_SYSTEM
        claimed = {target["equivalence"] for element in group["element"] for target in element["target"]}
        assert claimed == ({"equal"} if group["target"] == OWN_SYSTEM else {"relatedto"})


def test_every_source_of_a_concept_map_is_a_word_of_the_event_vocabulary() -> None:
    [system] = [one for one in of_type("CodeSystem") if one["url"] == VOCABULARY_SYSTEM]
    words = {concept["code"] for concept in system["concept"]}
    used = {
        element["code"] for one in of_type("ConceptMap") for group in one["group"] for element in group["element"]
    }
    assert used <= words
    vocabulary = shipped_stages().vocabulary
    assert {f"event.{kind}" for kind in vocabulary.events} <= words
    assert {f"check_item.{item}" for item in vocabulary.check_items} <= words


def test_public_systems_have_a_concept_map_each() -> None:
    targets = {group["target"] for one in of_type("ConceptMap") for group in one["group"]}
    assert targets >= {
        "http://snomed.info/sct",
        "http://loinc.org",
        "urn:iso:std:iso:11073:10101",
        "http://www.nlm.nih.gov/research/umls/rxnorm",
        "http://www.whocc.no/atc",
    }


def test_the_value_set_of_a_table_holds_each_of_its_codes() -> None:
    by_id = {one["id"]: one for one in of_type("ValueSet")}
    vocabulary = shipped_stages().vocabulary
    shapes = [*vocabulary.events.values(), vocabulary.case, vocabulary.device, vocabulary.check]
    shapes += [*vocabulary.check_items.values(), *vocabulary.spans.values()]
    used = {field.table.name: field.table for shape in shapes for field in shape.fields.values() if field.table}
    assert len(used) > 10
    for name, table in used.items():
        wanted = {(coding.system, coding.code) for one in table.concepts.values() for coding in one.codings}
        held = {
            (include["system"], concept["code"])
            for include in by_id[name.replace("_", "-")]["compose"]["include"]
            for concept in include["concept"]
        }
        assert held == wanted


def test_every_template_of_the_mapping_data_has_a_profile_and_every_profile_an_example() -> None:
    stages = shipped_stages()
    assert unprofiled_types(stages.mappings) == []
    planned = {rule for profile in plan_profiles(stages.vocabulary, stages.mappings) for rule in profile.rules}
    mappings = stages.mappings
    records = [mappings.case, mappings.device, mappings.check]
    for some in (mappings.events, mappings.check_items, mappings.spans):
        records.extend(some.values())
    assert {template.rule for record in records for template in record.templates} == planned
    claimed = {url for one in shipped_package().examples for url in one["meta"]["profile"]}
    assert {one["url"] for one in PROFILES} <= claimed


@pytest.mark.parametrize("profile", PROFILES, ids=_name)
def test_a_snapshot_is_that_of_r4_with_the_differential_applied(profile: dict[str, Any]) -> None:
    """Every element of R4 is still there in its order, and no bound is wider than R4's."""
    elements = profile["snapshot"]["element"]
    base = {element["id"]: element for element in base_snapshot(profile["type"])}
    assert elements[0]["id"] == profile["type"]
    assert [element["id"] for element in elements if element["id"] in base] == list(base)
    assert len({element["id"] for element in elements}) == len(elements)
    for element in elements:
        whole = base[element["id"].replace(f":{element.get('sliceName')}", "")] if "sliceName" in element else None
        official = whole or base.get(element["id"])
        assert {"definition", "min", "max", "base"} <= element.keys()
        if official is not None:
            assert element["min"] >= (0 if whole else official["min"])
            assert element["max"] == official["max"] or official["max"] == "*"
            allowed = {kind["code"] for kind in official.get("type", ())}
            assert {kind["code"] for kind in element.get("type", ())} <= allowed
    by_id = {element["id"]: element for element in elements}
    for change in profile["differential"]["element"]:
        held = by_id[change["id"]]
        for name, value in change.items():
            if name == "constraint":
                assert [one for one in value if one not in held["constraint"]] == []
            else:
                assert held[name] == value


@pytest.mark.parametrize("profile", PROFILES, ids=_name)
def test_every_value_set_that_a_profile_of_ours_binds_is_in_the_package(profile: dict[str, Any]) -> None:
    there = {one["url"] for one in of_type("ValueSet")}
    bound = {
        element["binding"]["valueSet"] for element in profile["differential"]["element"] if "binding" in element
    }
    assert bound <= there


def test_the_profile_of_a_shock_says_what_the_template_says() -> None:
    [profile] = [one for one in PROFILES if one["url"] == profile_url("shock-delivered-details")]
    elements = {element["id"]: element for element in profile["snapshot"]["element"]}
    assert elements["Observation.subject"]["min"] == 1
    assert elements["Observation.encounter"]["min"] == 0
    assert elements["Observation.code"]["patternCodeableConcept"] == {
        "coding": [{"system": OWN_SYSTEM, "code": "shock-details"}]
    }
    assert elements["Observation.component"]["slicing"]["rules"] == "open"
    energy = "Observation.component:energy-selected"
    assert (elements[energy]["min"], elements[energy]["max"]) == (0, "1")
    assert elements[f"{energy}.value[x]"]["min"] == 1
    assert elements[f"{energy}.value[x]"]["type"] == [{"code": "Quantity"}]
    assert elements[f"{energy}.value[x]"]["patternQuantity"] == {
        "system": "http://unitsofmeasure.org",
        "code": "J",
    }


def test_no_profile_fixes_the_status_which_a_retraction_changes() -> None:
    for profile in PROFILES:
        for element in profile["differential"]["element"]:
            assert not element["path"].endswith((".status", ".clinicalStatus", ".verificationStatus")), profile[
                "id"
            ]


def test_the_guide_lists_everything_else_in_the_package() -> None:
    [guide] = of_type("ImplementationGuide")
    listed = {one["reference"]["reference"] for one in guide["definition"]["resource"]}
    assert listed == {_name(one) for one in EVERYTHING} - {_name(guide)}


def test_a_destination_must_offer_transactions_and_every_type_that_is_made() -> None:
    [requirements] = of_type("CapabilityStatement")
    [rest] = requirements["rest"]
    assert [one["code"] for one in rest["interaction"]] == ["transaction"]
    assert {one["type"] for one in rest["resource"]} == shipped_stages().mappings.resource_types
    supported = {url for one in rest["resource"] for url in one["supportedProfile"]}
    assert supported == {profile["url"] for profile in PROFILES}


def test_every_reference_among_the_examples_leads_to_an_example() -> None:
    there = {_name(one) for one in shipped_package().examples}

    def references(value: Any) -> list[str]:
        if isinstance(value, dict):
            own = [value["reference"]] if isinstance(value.get("reference"), str) else []
            return own + [one for member in value.values() for one in references(member)]
        return [one for item in value for one in references(item)] if isinstance(value, list) else []

    for example in shipped_package().examples:
        assert set(references(example)) <= there, _name(example)


def test_the_package_is_written_where_it_is_asked_for(tmp_path: Path) -> None:
    file = tmp_path / "package.tgz"
    assert write_package(shipped_package(), file) == file.stat().st_size
    assert file.read_bytes() == archive_of(shipped_package())


def test_the_package_of_a_site_holds_what_its_overlay_changes() -> None:
    stages = load_stages(EXAMPLE_INSTALLATION, data_folder("examples") / "overlay")
    changes = " ".join(str(change) for change in stages.vocabulary.data.changes)
    assert "vital_signs" in changes
    site = {one["url"]: one for one in build_package(stages, data_folder("examples")).conformance}
    shipped = {one["url"]: one for one in shipped_package().conformance}
    # The overlay drops the set of vital signs and adds codings of the hospital's own system.
    assert shipped.keys() - site.keys() == {profile_url("vital-signs-set")}
    assert site.keys() - shipped.keys() == {f"{CANONICAL}/ConceptMap/event-vocabulary-to-hospital"}
    rhythms = site[f"{CANONICAL}/ValueSet/rhythm"]["compose"]["include"]
    assert {one["system"] for one in rhythms} > {
        one["system"] for one in shipped[f"{CANONICAL}/ValueSet/rhythm"]["compose"]["include"]
    }
