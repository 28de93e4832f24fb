"""Resources that nobody here wrote: HL7's test cases, with official examples of R4 among them."""

from __future__ import annotations

import zipfile
from pathlib import Path
from typing import Any

from service.checking.table import COVERED_RESOURCES
from service.exact_json import BrokenJsonError, read_json
from tests.support.reader_process import ReaderFailedError

RELEASE = "1.7.69"
JAR = Path.home() / f".m2/repository/org/hl7/fhir/testcases/fhir-test-cases/{RELEASE}/fhir-test-cases-{RELEASE}.jar"
"""Maven's org.hl7.fhir.testcases:fhir-test-cases; `.ci/interop-setup` brings it."""

_ROOT = "org/hl7/fhir/testcases/"
_FOLDERS = ("r4/", "r4b/examples/", "validator/")
_LONGEST_BYTES = 400_000


def read_official_resources() -> dict[str, dict[str, Any]]:
    """Return the JSON resources of the types that the table covers, by their paths in the archive.

    What is not JSON, or holds no resource, is left out: among the test cases are many broken on purpose.
    Raises ReaderFailedError where the archive is absent.
    """
    if not JAR.is_file():
        raise ReaderFailedError(f"{JAR} is not there: run .ci/interop-setup")
    found = {}
    with zipfile.ZipFile(JAR) as archive:
        for entry in archive.infolist():
            name = entry.filename.removeprefix(_ROOT)
            if not name.startswith(_FOLDERS) or not name.endswith(".json") or entry.file_size > _LONGEST_BYTES:
                continue
            try:
                value = read_json(archive.read(entry))
            except BrokenJsonError:
                continue
            if isinstance(value, dict) and value.get("resourceType") in COVERED_RESOURCES:
                found[name] = value
    return found
