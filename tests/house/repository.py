"""What the house tests look at: the files of the repository, and the pieces of its pages."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

ROOT = Path(__file__).parents[2]


def repository_files() -> list[Path]:
    """Return every file that is kept in git, or would be by the next commit, as git itself says."""
    listed = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT,
        check=True,
        capture_output=True,
    ).stdout.decode()
    files = [ROOT / name for name in listed.split("\0") if name]
    return [file for file in files if file.is_file()]


def pages() -> list[Path]:
    """Return every Markdown file."""
    return [file for file in repository_files() if file.suffix == ".md"]


def page(name: str) -> str:
    """Return the text of a page by its path from the root."""
    return (ROOT / name).read_text(encoding="utf-8")


def fenced(text: str, language: str) -> list[str]:
    """Return the content of every fenced block of a language."""
    return re.findall(rf"^```{language}\n(.*?)^```", text, re.MULTILINE | re.DOTALL)


def without_fences(text: str) -> str:
    """Return a page without its fenced blocks."""
    return re.sub(r"^```.*?^```", "", text, flags=re.MULTILINE | re.DOTALL)


def headings(text: str, level: int) -> list[str]:
    """Return the headings of one level in their order."""
    return re.findall(rf"^{'#' * level} (.+)$", without_fences(text), re.MULTILINE)


def section(text: str, heading: str) -> str:
    """Return what stands below a heading of the second level, up to the next one."""
    found = re.search(rf"^## {re.escape(heading)}\n(.*?)(?=^## |\Z)", text, re.MULTILINE | re.DOTALL)
    assert found, f"there is no section {heading!r}"
    return found[1]


def anchor(heading: str) -> str:
    """Return the fragment by which a heading is linked."""
    kept = re.sub(r"[^\w\- ]", "", heading.lower())
    return kept.strip().replace(" ", "-")
