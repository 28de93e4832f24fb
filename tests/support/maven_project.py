"""Builds a Java program of the tests with Maven where a source of it is newer than the last build."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

BUILD_GOALS = ("compile", "dependency:copy-dependencies")


class BuildFailedError(RuntimeError):
    """Java or Maven is absent, or the build failed; the message says which, with the end of Maven's output."""


def build_project(folder: Path) -> bool:
    """Build the Maven project in `folder`; return whether that was needed.

    Raises BuildFailedError where Java or Maven is absent, or the build fails.
    """
    stamp = folder / "target" / "built"
    sources = [folder / "pom.xml", *(path for path in (folder / "src").rglob("*") if path.is_file())]
    if stamp.exists() and all(path.stat().st_mtime <= stamp.stat().st_mtime for path in sources):
        return False
    maven = find_program("mvn")
    find_program("java")
    # Offline first: it is quicker, and once everything has been fetched it needs no network.
    outcomes = [_run(maven, folder, "-o")]
    if outcomes[-1].returncode != 0:
        outcomes.append(_run(maven, folder))
    if outcomes[-1].returncode != 0:
        raise BuildFailedError(f"Maven could not build {folder}:\n{outcomes[-1].stdout[-4000:]}")
    stamp.touch()
    return True


def find_program(name: str) -> str:
    """Return the path of a program; BuildFailedError where there is none of that name."""
    path = shutil.which(name)
    if path is None:
        raise BuildFailedError(f"there is no `{name}` on the path")
    return path


def _run(maven: str, folder: Path, *options: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [maven, "-q", "-B", *options, *BUILD_GOALS],
        cwd=folder,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        timeout=900,
        check=False,
    )
