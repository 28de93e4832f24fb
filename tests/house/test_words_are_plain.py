"""The words that people read are everyday words: each word here has a plainer one, and must not come back."""

from __future__ import annotations

import ast
import re
from collections.abc import Callable, Iterator

import pytest
import yaml

from tests.house.repository import ROOT, page, repository_files

PLAINER = {
    r"mend(?:s|ed|ing)?": "correct, repair",
    r"anew": "again",
    r"(?:stand|stands|stood) in(?! for)": "is in, are in",
    r"want(?:s|ed)?": "needs, needed",
    r"unless said": "by default",
    r"by the record": "according to the record",
    r"reckon(?:s|ed|ing)?": "calculate",
    r"in (?:its|their) turn": "also",
    r"whereupon": "then",
    r"fleet": "devices",
    r"(?<!electrodes[ -])sealed": "cannot be changed (a seal is of the audit log; electrodes are sealed)",
    r"guilty": "faulty",
    r"of which no(?: one|ne)?": "without",
    r"so that nobody": "so nobody",
    r"the same hands": "the same authors",
    r"hands? on": "pass on, give",
    r"plays?": "run, cause, act as",
    r"lays?": "put, change",
    r"one (?:outcome|object) an? \w+": "one per …",
    r"right would be": "allowed",
    r"cannot be true": "is outside the possible range",
    r"exclude each other": "contradict each other",
    r"has no place in": "is unknown for",
    r"need each other": "must be set together",
    r"torn apart": "split",
    r"unseen": "without being noticed",
    r"hangs on|it hangs": "depends on",
    r"walked against": "tried with",
    r"strikes?": "happen",
    r"in place of": "instead of",
}
"""Words that a reader in a third language must look up or read twice, as patterns, and what to write instead."""

_WORDS = {re.compile(rf"\b(?:{pattern})\b", re.IGNORECASE): plainer for pattern, plainer in PLAINER.items()}

PROGRAMS = (
    "service/problems.py",
    "service/settings.py",
    "service/demo.py",
    "service/cli/*.py",
    "service/intake/*.py",
    "service/web/*.py",
    "service/audit/verify_*.py",
)
"""The modules whose texts people read: refusals, settings, commands and the description of the API."""

Reader = Callable[[str], Iterator[tuple[int, str]]]
"""Yields the lines that people read in the text of a file, with their numbers."""


def _of_page(text: str) -> Iterator[tuple[int, str]]:
    """Yield the lines of a page with their numbers, without fenced blocks and without what is code in a line."""
    fenced = False
    for number, line in enumerate(text.splitlines(), start=1):
        if line.startswith("```"):
            fenced = not fenced
        elif not fenced:
            yield number, re.sub(r"`[^`]*`", "", line)


def _of_program(text: str) -> Iterator[tuple[int, str]]:
    """Yield every text in a module with its line: messages, descriptions, docstrings; no names and no comments."""
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            for offset, line in enumerate(node.value.splitlines()):
                yield node.lineno + offset, re.sub(r"`[^`]*`", "", line)


def _of_data(text: str) -> Iterator[tuple[int, str]]:
    """Yield every sentence in a file of mapping data with its line; names and single words are none."""
    waiting = [yaml.compose(text, Loader=yaml.SafeLoader)]
    while waiting:
        match waiting.pop():
            case yaml.MappingNode(value=pairs):
                waiting.extend(value for _, value in pairs)
            case yaml.SequenceNode(value=items):
                waiting.extend(items)
            case yaml.ScalarNode(value=value, start_mark=mark) if " " in value:
                yield mark.line + 1, value


def _covered() -> dict[str, Reader]:
    """Return what reads the texts of each file that is covered, by the file's name."""
    programs = {file for pattern in PROGRAMS for file in ROOT.glob(pattern)}
    covered: dict[str, Reader] = {}
    for file in repository_files():
        name = file.relative_to(ROOT).as_posix()
        if file in programs:
            covered[name] = _of_program
        elif file.suffix == ".md":
            covered[name] = _of_page
        elif name.startswith("mappings/"):
            covered[name] = _of_data
    return covered


COVERED = _covered()


def _hard_words(lines: Iterator[tuple[int, str]]) -> Iterator[str]:
    for number, line in lines:
        for pattern, plainer in _WORDS.items():
            for found in pattern.finditer(line):
                yield f"line {number}: {found[0]!r}; write: {plainer}"


@pytest.mark.parametrize("name", sorted(COVERED))
def test_what_people_read_is_in_everyday_words(name: str) -> None:
    lines = COVERED[name](page(name))
    assert [f"{name}, {told}" for told in _hard_words(lines)] == []


@pytest.mark.parametrize(
    "text",
    ["Mend it.", "It stands in the log.", "The field wants a unit.", "2000 unless said", "The fleet, anew."],
)
def test_a_hard_word_is_found_with_its_line_and_a_plainer_one(text: str) -> None:
    (first, *_) = _hard_words(_of_page(f"Plain.\n{text}\n"))
    assert first.startswith("line 2: ")
    assert "; write: " in first


def test_code_in_a_page_and_names_in_the_data_are_no_sentences() -> None:
    assert list(_hard_words(_of_page("The code `anew` stays.\n```\nanew\n```\n"))) == []
    assert list(_hard_words(_of_data("anew: {fleet: calm}\n"))) == []
    assert len(list(_hard_words(_of_data("says: Done anew.\n")))) == 1


def test_every_sort_of_text_is_covered() -> None:
    named = {"README.md", "docs/api.md", "mappings/completeness.yaml"}
    programs = {"service/problems.py", "service/settings.py", "service/cli/audit.py", "service/web/events.py"}
    assert named | programs <= set(COVERED)
