"""The blocks of docs/validation.md that tests write: each stands between two comments that name it."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

PAGE = Path(__file__).parents[2] / "docs" / "validation.md"


def _pattern(name: str) -> re.Pattern[str]:
    return re.compile(rf"(<!-- measured: {re.escape(name)} -->\n\n)(.*?)(\n\n<!-- end -->)", re.DOTALL)


def block_names(page: str) -> list[str]:
    """Return the names of all blocks of a page, in their order."""
    return re.findall(r"<!-- measured: (.*?) -->", page)


def read_block(page: str, name: str) -> str:
    """Return the content of one block; KeyError where the page has none of that name."""
    found = _pattern(name).search(page)
    if found is None:
        raise KeyError(name)
    return found[2]


def replace_blocks(page: str, blocks: Mapping[str, str]) -> str:
    """Return the page with the content of `blocks`; KeyError where it has none of a name."""
    for name, content in blocks.items():
        old = f"<!-- measured: {name} -->\n\n{read_block(page, name)}\n\n<!-- end -->"
        page = page.replace(old, f"<!-- measured: {name} -->\n\n{content}\n\n<!-- end -->")
    return page


def table(header: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """Return a Markdown table."""
    lines = [header, ["---"] * len(header), *rows]
    return "\n".join("| " + " | ".join(map(str, line)) + " |" for line in lines)
