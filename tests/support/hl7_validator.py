"""HL7's own FHIR validator (through HAPI), built when its source is newer and kept warm for the tests."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from tests.support.maven_project import BuildFailedError, build_project, find_program
from tests.support.reader_process import ReaderFailedError, ReaderProcess

PROJECT = Path(__file__).parents[1] / "interop" / "hl7_validator"
LIBRARIES = PROJECT / "target" / "lib"


class Hl7Validator(ReaderProcess):
    """The validator with the R4 definitions, and those of the FHIR packages (.tgz) that it is given.

    Codes of LOINC, SNOMED CT and other systems that cannot be looked up offline give warnings; UCUM codes,
    and codes of FHIR's own systems, are checked.
    """

    def __init__(self, packages: Sequence[Path] = (), *, answer_seconds: float = 60.0) -> None:
        java = _built_java()
        named_packages = [argument for path in packages for argument in ("--package", str(path.resolve()))]
        super().__init__(
            [
                java,
                # Measured: ready 0.9 s sooner than with the parallel collector, and no slower afterwards.
                "-XX:+UseSerialGC",
                "-Xmx1g",
                "-cp",
                os.pathsep.join(["target/classes", "target/lib/*"]),
                "interop.Hl7Validator",
                *named_packages,
            ],
            folder=PROJECT,
            answer_seconds=answer_seconds,
        )


def _built_java() -> str:
    """Build the validator where that is needed, and return the program that runs it; raises as `build` does."""
    build()
    try:
        return find_program("java")
    except BuildFailedError as error:
        raise ReaderFailedError(str(error)) from error


def build() -> bool:
    """Build the validator where a source is newer than the last build; return whether that was needed.

    Raises ReaderFailedError where Java or Maven is absent, or the build fails.
    """
    try:
        return build_project(PROJECT)
    except BuildFailedError as error:
        raise ReaderFailedError(str(error)) from error
