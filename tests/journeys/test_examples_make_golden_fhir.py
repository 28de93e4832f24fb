"""Every example, posted to the real service, makes the resources of its golden file, here and at the endpoint.

The files are rewritten by `python -m tests.support.write_goldens`, never by a test.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from service.checking.check_resource import check_resource
from service.exact_json import read_json
from service.records.references import references_in
from tests.support.exact_comparison import by_reference, spelled, without_server_meta
from tests.support.golden_resources import GOLDEN_FOLDER, GoldenResource, each_golden_resource, present
from tests.support.whole_service import WholeService
from tests.support.write_goldens import CASE_EXAMPLES, kind_examples, make_goldens

NAMES = ["device-check", *CASE_EXAMPLES, *(f"kinds/{kind}" for kind in kind_examples())]


@pytest.fixture(scope="module")
def made(running: WholeService) -> dict[str, list[dict[str, Any]]]:
    goldens = make_goldens(running)
    running.wait_until_delivered()
    return goldens


def _golden(name: str) -> list[dict[str, Any]]:
    resources: list[dict[str, Any]] = read_json((GOLDEN_FOLDER / f"{name}.json").read_bytes())["resources"]
    return resources


@pytest.mark.parametrize("name", NAMES)
def test_an_example_makes_its_golden_resources_to_the_digit(
    name: str, made: dict[str, list[dict[str, Any]]]
) -> None:
    assert by_reference(made[name]) == by_reference(_golden(name))


def test_there_is_a_golden_file_for_every_example_and_no_other() -> None:
    files = {path.relative_to(GOLDEN_FOLDER).with_suffix("").as_posix() for path in GOLDEN_FOLDER.rglob("*.json")}
    assert files == set(NAMES)


def test_golden_files_are_sorted_and_written_one_member_a_line() -> None:
    for path in sorted(GOLDEN_FOLDER.rglob("*.json")):
        text = path.read_text(encoding="utf-8")
        keys = [(one["resourceType"], one["id"]) for one in read_json(text.encode())["resources"]]
        assert keys == sorted(keys), path
        assert text.startswith('{\n  "resources": [\n    {\n      "'), path
        assert text.endswith("\n}\n"), path


@pytest.mark.parametrize("name", ["device-check", *CASE_EXAMPLES])
def test_the_endpoint_holds_what_the_golden_file_says(
    name: str, made: dict[str, list[dict[str, Any]]], running: WholeService
) -> None:
    for resource in _golden(name):
        held = running.at_endpoint(resource["resourceType"], resource["id"])
        assert spelled(without_server_meta(held)) == spelled(resource)


@pytest.mark.parametrize("name", CASE_EXAMPLES)
def test_every_reference_in_a_golden_case_leads_to_a_resource_of_the_case(name: str) -> None:
    resources = _golden(name)
    there = {f"{resource['resourceType']}/{resource['id']}" for resource in resources}
    for resource in resources:
        assert set(references_in(resource)) <= there, resource["id"]


@each_golden_resource()
def test_a_golden_resource_passes_the_check(golden: GoldenResource | None) -> None:
    assert [
        str(finding) for finding in check_resource(present(golden).resource) if finding.severity == "error"
    ] == []


def test_the_folder_of_golden_files_is_the_one_in_this_checkout() -> None:
    assert Path(__file__).parents[1] / "golden" == GOLDEN_FOLDER
