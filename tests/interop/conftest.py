"""What all interop tests share, since each start takes many seconds: servers and readers, started when asked for.

Who shares a server takes a source and identifiers of its own; a reader answers each question by itself.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support.delivery_servers import StartedServers
from tests.support.fhir_package import archive_of, shipped_package
from tests.support.generated_resources import generated_resources
from tests.support.golden_resources import read_golden_resources
from tests.support.hl7_validator import Hl7Validator
from tests.support.measure_validation import Resource
from tests.support.npm_fhir import NpmFhir
from tests.support.reader_process import ReaderProcess


@pytest.fixture(scope="session")
def servers(tmp_path_factory: pytest.TempPathFactory) -> Iterator[StartedServers]:
    """Servers that run through to the end."""
    with StartedServers(tmp_path_factory.mktemp("servers")) as started:
        yield started


@pytest.fixture(scope="session")
def killed_servers(tmp_path_factory: pytest.TempPathFactory) -> Iterator[StartedServers]:
    """Servers for the tests that kill them, each of which leaves them running."""
    with StartedServers(tmp_path_factory.mktemp("killed")) as started:
        yield started


@pytest.fixture(scope="session")
def hl7() -> Iterator[ReaderProcess]:
    """HL7's validator with the definitions of R4 alone."""
    with Hl7Validator() as reader:
        yield reader


@pytest.fixture(scope="session")
def package_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Our FHIR package as we ship it."""
    file = tmp_path_factory.mktemp("package") / "package.tgz"
    file.write_bytes(archive_of(shipped_package()))
    return file


@pytest.fixture(scope="session")
def hl7_with_package(package_file: Path) -> Iterator[ReaderProcess]:
    """HL7's validator with our FHIR package, so that our own profiles, codes and extensions are judged too."""
    with Hl7Validator([package_file], answer_seconds=180) as reader:
        yield reader


@pytest.fixture(scope="session")
def npm() -> Iterator[ReaderProcess]:
    """The npm reader."""
    with NpmFhir() as reader:
        yield reader


@pytest.fixture(scope="session")
def ours() -> list[Resource]:
    """The golden resources and the generated variations; nobody may change them."""
    return [*(golden.resource for golden in read_golden_resources()), *generated_resources()]
