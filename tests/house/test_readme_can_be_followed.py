"""The README's commands work as they are written."""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
from dataclasses import dataclass
from urllib.parse import urlsplit

import httpx
from typer.testing import CliRunner

from service.cli import app
from tests.house.repository import ROOT, fenced, page
from tests.support.whole_service import WholeService

README = page("README.md")


def _commands() -> list[str]:
    return [line for block in fenced(README, "sh") for line in block.splitlines()]


@dataclass(frozen=True, slots=True)
class CurlCall:
    """What a curl command asks for."""

    method: str
    address: str
    body: bytes | None


def _read_curl(command: str) -> CurlCall:
    words = iter(shlex.split(command)[1:])
    method, address, body = None, None, None
    for word in words:
        match word:
            case "-X":
                method = next(words)
            case "--json":
                text = next(words)
                body = (ROOT / text[1:]).read_bytes() if text.startswith("@") else text.encode()
            case _ if word.startswith("http://127.0.0.1:8000/"):
                assert address is None, command
                address = word.removeprefix("http://127.0.0.1:8000")
            case _:
                raise AssertionError(f"{word!r} is not understood in: {command}")
    assert address is not None, command
    return CurlCall(method or ("GET" if body is None else "POST"), address, body)


def _curl_calls() -> list[CurlCall]:
    calls = [_read_curl(command) for command in _commands() if command.startswith("curl ")]
    assert len(calls) > 10
    return calls


def test_the_readme_opens_with_a_paragraph_about_the_job() -> None:
    blocks = [block for block in README.split("\n\n") if block.strip()]
    assert blocks[0].startswith("# ")
    assert re.match(r"[a-z]", blocks[1], re.IGNORECASE)
    assert blocks[1].count(". ") + blocks[1].count(".\n") >= 2
    assert blocks[2].startswith("> **Caution.**")


def test_two_commands_of_one_line_each_do_everything() -> None:
    first = [command for command in _commands() if command.startswith("pip ")]
    assert first == ["pip install uv && uv run resus-fhir demo --once", "pip install uv && uv run pytest"]


def test_the_demonstration_runs_and_prints_what_the_readme_says() -> None:
    run = subprocess.run(
        [sys.executable, "-m", "service", "demo", "--once"],
        cwd=ROOT, capture_output=True, text=True, check=False, timeout=120,
    )  # fmt: skip
    assert run.returncode == 0, run.stdout + run.stderr
    printed = run.stdout.splitlines()
    (shown,) = fenced(README, "text")
    for line in filter(None, shown.splitlines()):
        if line.startswith("Audit log"):
            # How deliveries fall into batches, and with them the number of entries, depends on the moment.
            assert any(re.fullmatch(r"Audit log +\d+ entries, seal [0-9a-f]{16}…", other) for other in printed)
        else:
            start = line.removesuffix("…")
            assert any(other.startswith(start) for other in printed), f"the demonstration does not print: {line}"


def test_every_curl_command_goes_to_a_call_that_exists(running: WholeService) -> None:
    described = running.get("/openapi.json")["paths"]
    for call in _curl_calls():
        path = urlsplit(call.address).path
        if path.startswith("/fhir/"):
            continue
        matching = [
            methods
            for template, methods in described.items()
            if re.fullmatch(re.sub(r"\{\w+\}", "[^/]+", template), path) and call.method.lower() in methods
        ]
        assert matching, f"there is no call {call.method} {path}"


def test_the_curl_commands_do_in_their_order_what_the_readme_says(fresh: WholeService) -> None:
    def ask(call: CurlCall) -> httpx.Response:
        headers = {"Content-Type": "application/json"} if call.body is not None else {}
        return fresh.client.request(call.method, call.address, content=call.body, headers=headers)

    answers = [(call, ask(call)) for call in _curl_calls()]
    for call, answer in answers:
        wrong = call.body == (ROOT / "examples/demo/wrong-event.json").read_bytes()
        as_told = answer.status_code == 422 if wrong else answer.is_success
        assert as_told, f"{call.method} {call.address}: {answer.text}"
    gaps = [answer.text for call, answer in answers if call.address.endswith("/gaps")]
    assert all("medication_given.route" in text for text in gaps)
    assert "medication_given.route" not in fresh.client.get("/v1/cases/c-1/gaps").text
    (corrected,) = [answer.json() for call, answer in answers if call.address.endswith("action=event-corrected")]
    assert [entry["detail"]["reason"] for entry in corrected["entries"]] == ["the route was asked for"]


def test_every_command_of_ours_that_a_page_names_exists() -> None:
    text = README + page("DEVELOPERS.md") + page("docs/audit-log.md") + page("docs/settings.md")
    named = set(re.findall(r"(?:`|run )resus-fhir ([a-z]+(?: (?:verify|gaps|entries|export|check))?)", text))
    assert {"demo", "serve", "audit verify", "mappings check", "token"} <= named
    for command in sorted(named):
        outcome = CliRunner().invoke(app, [*command.split(), "--help"])
        assert outcome.exit_code == 0, f"{command}: {outcome.output}"
