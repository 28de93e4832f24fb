"""The layout, the size of files and the names in them keep to what the project holds itself to."""

from __future__ import annotations

import ast
import re
import subprocess
import tomllib
from pathlib import Path

import pytest
import yaml

from tests.house.repository import ROOT, anchor, headings, page, pages, repository_files, without_fences

TOP_LEVEL = {"README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml"} | {
    "service", "mappings", "tests", "examples", "docs"
}  # fmt: skip

# Written in pieces, so that this file does not name them either.
HOSTS = tuple(
    ".".join(parts)
    for parts in (
        ("pypi", "org"), ("files", "pythonhosted", "org"), ("npmjs", "org"), ("npmjs", "com"), ("yarnpkg", "com"),
        ("repo1", "maven", "org"), ("repo", "maven", "apache", "org"), ("crates", "io"), ("golang", "org"),
    )
)  # fmt: skip
MACHINE_PATHS = ("/" + "work/", "/" + "home/", "/" + "root/")

MODULES = sorted((ROOT / "service").rglob("*.py"))


def _text(file: Path) -> str:
    return file.read_text(encoding="utf-8", errors="replace")


def test_no_file_names_the_host_of_a_package_registry_or_a_path_of_one_machine() -> None:
    found = [
        f"{file.relative_to(ROOT)}: {word}"
        for file in repository_files()
        for word in (*HOSTS, *MACHINE_PATHS)
        if word in _text(file)
    ]
    assert found == []


def test_the_top_level_holds_only_what_belongs_there() -> None:
    top = {file.relative_to(ROOT).parts[0] for file in repository_files()}
    assert {name for name in top if not name.startswith(".")} == TOP_LEVEL


def test_the_lock_file_stays_out_of_git() -> None:
    assert "uv.lock" not in {file.name for file in repository_files()}


def test_imports_go_down_the_floors_only() -> None:
    run = subprocess.run(["lint-imports"], cwd=ROOT, capture_output=True, text=True, check=False)
    assert run.returncode == 0, run.stdout
    assert re.search(r"Contracts: [2-9]\d* kept, 0 broken", run.stdout)


@pytest.mark.parametrize("module", MODULES, ids=lambda module: module.relative_to(ROOT).as_posix())
def test_a_module_says_its_place_and_stays_small(module: Path) -> None:
    source = _text(module)
    docstring = ast.get_docstring(ast.parse(source))
    if "migrations" not in module.parts:
        assert docstring, "a module's docstring says its place on the path"
        assert docstring.splitlines()[0].endswith((".", ":", ",", ";")) or len(docstring.splitlines()) > 1
    assert len(source.splitlines()) <= 400


@pytest.mark.parametrize("file", pages(), ids=lambda file: file.relative_to(ROOT).as_posix())
def test_the_links_of_a_page_lead_somewhere(file: Path) -> None:
    for target in re.findall(r"\]\(([^)\s]+)\)", without_fences(_text(file))):
        if target.startswith(("http://", "https://")):
            continue
        name, _, fragment = target.partition("#")
        other = (file.parent / name).resolve() if name else file
        assert other.exists(), f"{target}: there is no such file"
        assert not name or other.is_relative_to(ROOT), f"{target} leads out of the repository"
        if fragment:
            text = _text(other)
            anchors = {anchor(heading) for level in (1, 2, 3, 4) for heading in headings(text, level)}
            assert fragment in anchors, f"{target}: there is no such heading"


def test_every_decision_is_listed_and_has_its_four_parts() -> None:
    records = sorted((ROOT / "docs/decisions").glob("[0-9]*.md"))
    listed = re.findall(r"^- \[(\d{4})\]\((\S+)\)", page("docs/decisions/README.md"), re.MULTILINE)
    assert [(file.name[:4], file.name) for file in records] == listed
    for file in records:
        assert headings(_text(file), 2) == ["Context", "Decision", "Consequences", "Rejected"], file.name


def test_every_task_is_documented_and_every_documented_task_exists() -> None:
    tasks = tomllib.loads(page("pyproject.toml"))["tool"]["poe"]["tasks"]
    assert set(re.findall(r"uv run poe (\w+)", page("DEVELOPERS.md"))) == set(tasks)


def test_every_mark_is_documented() -> None:
    marks = tomllib.loads(page("pyproject.toml"))["tool"]["pytest"]["ini_options"]["markers"]
    documented = set(re.findall(r"^\| `(\w+)` \| .+ \| `uv run", page("DEVELOPERS.md"), re.MULTILINE))
    assert {mark.partition(":")[0] for mark in marks} == documented


def test_the_hooks_run_before_a_commit_without_the_network() -> None:
    hooks = yaml.safe_load(page(".pre-commit-config.yaml"))["repos"]
    assert [repository["repo"] for repository in hooks] == ["local"]
    entries = [hook["entry"] for hook in hooks[0]["hooks"]]
    assert all(entry.startswith("uv run ") for entry in entries)
    assert {entry.split()[2] for entry in entries} == {"ruff", "mypy", "lint-imports"}
