"""The process that holds a third-party reader: late, broken and missing answers are failures with a reason."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from tests.support.reader_process import ReaderFailedError, ReaderProcess
from tests.support.sample_resources import GOOD_RESOURCES

READY = "print('{\"ready\": true}', flush=True); "
ACCEPT_AS_0 = """[print('{"id": 0, "ok": true, "ms": 1, "issues": []}', flush=True) for line in sys.stdin]"""


def _reader(program: str, folder: Path) -> ReaderProcess:
    command = [sys.executable, "-c", f"import sys, time; {program}"]
    return ReaderProcess(command, folder=folder, ready_seconds=5, answer_seconds=0.5)


def test_an_answer_gives_a_verdict(tmp_path: Path) -> None:
    with _reader(READY + ACCEPT_AS_0, tmp_path) as reader:
        [verdict] = reader.validate(GOOD_RESOURCES[:1])
        assert verdict.accepted
        assert reader.close_input() == 0


@pytest.mark.parametrize(
    ("program", "words"),
    [
        (READY + "time.sleep(2)", "did not answer within 0.5 seconds"),
        (READY + "sys.stdin.readline(); print('Hello', flush=True)", "wrote a line that is not JSON"),
        (
            READY + "sys.stdin.readline(); sys.exit('Out of memory')",
            "ended with exit code 1; it said:\nOut of memory",
        ),
        ("sys.exit('No disk')", "ended with exit code 1; it said:\nNo disk"),
        ("print('{\"ready\": false}', flush=True)", "where it should say that it is ready"),
    ],
    ids=["late", "no JSON", "ended", "not started", "not ready"],
)
def test_what_failed_is_said(program: str, words: str, tmp_path: Path) -> None:
    with pytest.raises(ReaderFailedError) as failure, _reader(program, tmp_path) as reader:
        reader.validate(GOOD_RESOURCES[:1])
    assert words in str(failure.value)


def test_an_answer_for_another_resource_is_a_failure(tmp_path: Path) -> None:
    with (
        _reader(READY + ACCEPT_AS_0, tmp_path) as reader,
        pytest.raises(ReaderFailedError, match="answered 0 when asked 1"),
    ):
        reader.validate(GOOD_RESOURCES[:2])


def test_a_verdict_that_contradicts_its_issues_is_a_failure(tmp_path: Path) -> None:
    program = READY + ACCEPT_AS_0.replace('"ok": true', '"ok": false')
    with _reader(program, tmp_path) as reader, pytest.raises(ValueError, match="the issues say otherwise"):
        reader.validate(GOOD_RESOURCES[:1])
