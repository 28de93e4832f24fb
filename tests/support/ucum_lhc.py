"""The npm package @lhncbc/ucum-lhc, the UCUM library of the U.S. National Library of Medicine, in JavaScript."""

from __future__ import annotations

import shutil
from pathlib import Path

from service.exact_json import write_json
from tests.support.reader_process import ReaderFailedError, ReaderProcess

PROJECT = Path(__file__).parents[1] / "interop" / "ucum_lhc"


class UcumLhc(ReaderProcess):
    """The library, asked for one unit code at a time."""

    def __init__(self) -> None:
        node = shutil.which("node")
        if node is None:
            raise ReaderFailedError("Node 20 is needed for ucum-lhc, and there is no `node` on the path")
        if not (PROJECT / "node_modules" / "@lhncbc").is_dir():
            raise ReaderFailedError(f"ucum-lhc is not installed: run `npm install` in {PROJECT}")
        super().__init__([node, "read_units.js"], folder=PROJECT, ready_seconds=30, answer_seconds=10)

    def is_unit(self, code: str) -> bool:
        """Return whether the library takes `code` as it stands for a UCUM code, case counted.

        Raises ValueError where it answers another question.
        """
        answer = self.ask_line(write_json({"id": code, "unit": code}))
        if answer["id"] != code:
            raise ValueError(f"asked for {code!r}, answered for {answer['id']!r}")
        return answer["ok"] is True
