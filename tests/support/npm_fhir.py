"""The npm package fhir, a reader in JavaScript that shares no code with the others."""

from __future__ import annotations

import shutil
from pathlib import Path

from tests.support.reader_process import ReaderFailedError, ReaderProcess

PROJECT = Path(__file__).parents[1] / "interop" / "npm_fhir"


class NpmFhir(ReaderProcess):
    """The reader, with bindings and the types written in references checked, but no invariants."""

    def __init__(self) -> None:
        node = shutil.which("node")
        if node is None:
            raise ReaderFailedError("Node 20 is needed for the npm reader, and there is no `node` on the path")
        if not (PROJECT / "node_modules" / "fhir").is_dir():
            raise ReaderFailedError(f"the npm reader is not installed: run `npm install` in {PROJECT}")
        super().__init__([node, "validate.js"], folder=PROJECT, ready_seconds=30, answer_seconds=10)
