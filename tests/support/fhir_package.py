"""The FHIR package of the shipped mapping data, built once for all tests of a run."""

from __future__ import annotations

import copy
from functools import cache
from pathlib import Path
from typing import Any

from service.conformance.canonical import canonical
from service.conformance.gather_examples import EXAMPLE_INSTALLATION
from service.conformance.write_package import FhirPackage, archive, build_package, package_files
from service.data_folders import data_folder
from service.exact_json import write_json
from service.making.stages import Stages, load_stages


@cache
def shipped_stages() -> Stages:
    """Return the stages of the shipped mapping data."""
    return load_stages(EXAMPLE_INSTALLATION)


@cache
def shipped_package() -> FhirPackage:
    """Return the package; nobody may change what it holds."""
    return build_package(shipped_stages(), data_folder("examples"))


def profile_url(identifier: str) -> str:
    """Return the address of a profile of the package."""
    return canonical("StructureDefinition", identifier)


def of_type(resource_type: str) -> list[dict[str, Any]]:
    """Return the conformance resources of a type."""
    return [one for one in shipped_package().conformance if one["resourceType"] == resource_type]


def fullest_example(identifier: str) -> dict[str, Any]:
    """Return a copy of that example of a profile that holds the most; AssertionError where there is none."""
    url = profile_url(identifier)
    claiming = [one for one in shipped_package().examples if url in one.get("meta", {}).get("profile", ())]
    assert claiming, f"no example claims {url}"
    return copy.deepcopy(max(claiming, key=lambda one: len(write_json(one))))


def write_stripped(package: FhirPackage, file: Path) -> None:
    """Write the package without its snapshots, so that whoever reads it must make them from the differentials."""
    stripped = tuple(
        {name: value for name, value in resource.items() if name != "snapshot"} for resource in package.conformance
    )
    from_differentials = FhirPackage(stripped, package.examples)
    file.write_bytes(archive_of(from_differentials))


def archive_of(package: FhirPackage) -> bytes:
    """Return the bytes of the package's archive."""
    return archive(package_files(package))
