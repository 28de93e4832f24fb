"""Keeps a third-party reader warm in a process of its own and asks it line by line, JSON both ways."""

from __future__ import annotations

import queue
import subprocess
import threading
from collections.abc import Iterable, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from service.exact_json import BrokenJsonError, read_json, write_json
from tests.support.verdict import Verdict

ERROR_OUTPUT_KEPT = 4_000


class ReaderFailedError(RuntimeError):
    """The reader did not start, did not answer in time, or ended; the message holds its error output."""


class ReaderProcess:
    """One reader, started on entering the context and ended on leaving it.

    It writes a line with `"ready": true` once it is warm, then for each line
    `{"id", "profiles", "resource"}` one line `{"id", "ok", "ms", "issues"}`, in the same order.
    """

    def __init__(
        self,
        command: Sequence[str],
        *,
        folder: Path,
        ready_seconds: float = 120.0,
        answer_seconds: float = 60.0,
    ) -> None:
        self._command = list(command)
        self._folder = folder
        self._ready_seconds = ready_seconds
        self._answer_seconds = answer_seconds
        self._output: queue.SimpleQueue[bytes | None] = queue.SimpleQueue()
        self._error_output = bytearray()
        self.ready: dict[str, Any] = {}

    def __enter__(self) -> Self:
        self._process = subprocess.Popen(
            self._command,
            cwd=self._folder,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )
        # A pipe cannot be read with a time limit, but a queue can; and both pipes must be emptied at all
        # times, or a reader with much to say would wait for us while we wait for it.
        self._threads = [
            threading.Thread(target=self._collect_output, daemon=True),
            threading.Thread(target=self._collect_error_output, daemon=True),
        ]
        for thread in self._threads:
            thread.start()
        try:
            self.ready = self._ready_line()
        except BaseException:
            self._end()
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._end()

    def validate(self, resources: Iterable[dict[str, Any]], profiles: Sequence[str] = ()) -> list[Verdict]:
        """Return one verdict for each resource, in their order.

        Raises ReaderFailedError where an answer is late, missing or meant for another resource.
        """
        verdicts = []
        for number, resource in enumerate(resources):
            answer = self.ask_line(write_json({"id": number, "profiles": list(profiles), "resource": resource}))
            if answer.get("id") != number:
                raise self._failure(f"answered {answer.get('id')!r} when asked {number}")
            verdicts.append(Verdict.from_answer(answer))
        return verdicts

    def ask_line(self, line: bytes) -> dict[str, Any]:
        """Return the reader's answer to one line as it stands, whether or not that line is well formed."""
        assert self._process.stdin is not None
        try:
            self._process.stdin.write(line + b"\n")
            self._process.stdin.flush()
        except BrokenPipeError as error:
            raise self._ended() from error
        return self._next_line(self._answer_seconds)

    def close_input(self) -> int:
        """Return the exit code with which the reader ends once nothing more comes."""
        assert self._process.stdin is not None
        self._process.stdin.close()
        return self._process.wait(timeout=self._answer_seconds)

    def _ready_line(self) -> dict[str, Any]:
        line = self._next_line(self._ready_seconds)
        if line.get("ready") is not True:
            raise self._failure(f"wrote {line} where it should say that it is ready")
        return line

    def _next_line(self, seconds: float) -> dict[str, Any]:
        try:
            line = self._output.get(timeout=seconds)
        except queue.Empty as error:
            raise self._failure(f"did not answer within {seconds:g} seconds") from error
        if line is None:
            raise self._ended()
        try:
            answer: dict[str, Any] = read_json(line)
        except BrokenJsonError as error:
            raise self._failure(f"wrote a line that is not JSON: {line[:200]!r}") from error
        return answer

    def _ended(self) -> ReaderFailedError:
        exit_code = self._process.wait(timeout=self._answer_seconds)
        # Its last words may still be on their way.
        for thread in self._threads:
            thread.join(timeout=self._answer_seconds)
        return self._failure(f"ended with exit code {exit_code}")

    def _failure(self, what: str) -> ReaderFailedError:
        said = bytes(self._error_output[-ERROR_OUTPUT_KEPT:]).decode(errors="replace").strip()
        return ReaderFailedError(f"{self._command[0]} {what}" + (f"; it said:\n{said}" if said else ""))

    def _collect_output(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            self._output.put(line)
        self._output.put(None)

    def _collect_error_output(self) -> None:
        assert self._process.stderr is not None
        for line in self._process.stderr:
            self._error_output += line

    def _end(self) -> None:
        """End the process, politely first, and close its pipes, since a leaked one is a warning."""
        assert self._process.stdin is not None
        try:
            self._process.stdin.close()
            self._process.wait(timeout=10)
        except (BrokenPipeError, subprocess.TimeoutExpired):
            self._process.kill()
            self._process.wait()
        for thread in self._threads:
            thread.join(timeout=10)
        for pipe in (self._process.stdout, self._process.stderr):
            assert pipe is not None
            pipe.close()
