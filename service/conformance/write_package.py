"""Writes the FHIR package: an npm-style archive, the same to the byte whenever it is made from the same data."""

from __future__ import annotations

import io
import struct
import tarfile
import zlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from service import __version__
from service.conformance.canonical import FHIR_VERSION, PACKAGE_NAME, PUBLISHER
from service.conformance.define_extension import define_device_time
from service.conformance.gather_examples import gather_examples
from service.conformance.plan_profiles import plan_profiles
from service.conformance.write_guide import destination_requirements, implementation_guide
from service.conformance.write_profile import write_profile
from service.conformance.write_terminology import EventVocabulary, own_code_system, value_sets
from service.exact_json import write_json
from service.making.stages import Stages
from service.mapping.record_values import CANONICAL

_INDEXED = ("url", "version", "kind", "type", "supplements", "content")
_COMPRESSION = 9
_GZIP_HEADER = b"\x1f\x8b\x08\x00\x00\x00\x00\x00\x02\xff"
"""Deflate, no name, no time, best compression, no operating system."""


@dataclass(frozen=True, slots=True)
class FhirPackage:
    """What the package holds: conformance resources and examples, each sorted by type and id."""

    conformance: tuple[dict[str, Any], ...]
    examples: tuple[dict[str, Any], ...]

    @property
    def file_name(self) -> str:
        """Return the name under which FHIR tools expect the archive."""
        return f"{PACKAGE_NAME}-{__version__}.tgz"


def build_package(stages: Stages, example_folder: Path) -> FhirPackage:
    """Return the package of the mapping data in `stages`; the same data always give the same package.

    `example_folder` holds the examples that ship with the service.
    """
    profiles = plan_profiles(stages.vocabulary, stages.mappings)
    words = EventVocabulary(stages.vocabulary, stages.mappings, profiles)
    conformance = [
        define_device_time(),
        *(write_profile(profile) for profile in profiles),
        own_code_system(stages.vocabulary),
        words.code_system(),
        *value_sets(stages.vocabulary),
        *words.concept_maps(),
        destination_requirements(stages.mappings, profiles),
    ]
    examples = gather_examples(stages, example_folder, profiles)
    conformance.sort(key=_place)
    guide = implementation_guide(conformance, examples)
    return FhirPackage(tuple(sorted([*conformance, guide], key=_place)), tuple(examples))


def _place(resource: Mapping[str, Any]) -> tuple[str, str]:
    return resource["resourceType"], resource["id"]


def _file_name(resource: Mapping[str, Any]) -> str:
    return f"{resource['resourceType']}-{resource['id']}.json"


def _index(resources: Iterable[Mapping[str, Any]]) -> dict[str, Any]:
    """Return the index of a folder of the package (Source: HL7's NPM package specification, index version 2)."""
    return {
        "index-version": 2,
        "files": [
            {"filename": _file_name(resource), "resourceType": resource["resourceType"], "id": resource["id"]}
            | {name: resource[name] for name in _INDEXED if isinstance(resource.get(name), str)}
            for resource in resources
        ],
    }


def _manifest() -> dict[str, Any]:
    return {
        "name": PACKAGE_NAME,
        "version": __version__,
        "type": "IG",
        "title": "Resuscitation events and device checks in FHIR R4",
        "description": "Profiles, terminology and examples of the resources that resus-fhir makes.",
        "canonical": CANONICAL,
        "url": CANONICAL,
        "fhirVersions": [FHIR_VERSION],
        "dependencies": {"hl7.fhir.r4.core": FHIR_VERSION},
        "author": PUBLISHER,
        "license": "Apache-2.0",
    }


def package_files(package: FhirPackage) -> dict[str, bytes]:
    """Return the files of the archive by their names, in their order in it."""
    files = {
        "package/package.json": write_json(_manifest()),
        "package/.index.json": write_json(_index(package.conformance)),
        "package/examples/.index.json": write_json(_index(package.examples)),
    }
    files |= {f"package/{_file_name(resource)}": write_json(resource) for resource in package.conformance}
    files |= {f"package/examples/{_file_name(example)}": write_json(example) for example in package.examples}
    first = ("package/package.json", "package/.index.json")
    return {name: files[name] for name in (*first, *sorted(files.keys() - set(first)))}


def archive(files: Mapping[str, bytes]) -> bytes:
    """Return a gzipped tar of `files` that holds nothing of when, where or by whom it was made."""
    tar_bytes = io.BytesIO()
    with tarfile.open(fileobj=tar_bytes, mode="w", format=tarfile.USTAR_FORMAT) as tar:
        for name, content in files.items():
            entry = tarfile.TarInfo(name)
            entry.size = len(content)
            entry.mode = 0o644
            tar.addfile(entry, io.BytesIO(content))
    return _gzipped(tar_bytes.getvalue())


def _gzipped(content: bytes) -> bytes:
    """Return `content` as a gzip file (RFC 1952) whose header is written here.

    Python's own differs from version to version in the byte that names the operating system.
    """
    deflate = zlib.compressobj(_COMPRESSION, zlib.DEFLATED, -zlib.MAX_WBITS)
    packed = deflate.compress(content) + deflate.flush()
    return _GZIP_HEADER + packed + struct.pack("<II", zlib.crc32(content), len(content) & 0xFFFFFFFF)


def write_package(package: FhirPackage, file: Path) -> int:
    """Write the archive to `file`, and return how many bytes it has."""
    content = archive(package_files(package))
    file.write_bytes(content)
    return len(content)
