"""The integration page leads from a URL to a verified resource."""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx

from service.demo import free_port
from tests.house.repository import ROOT, fenced, page, section

TEXT = page("docs/integration.md")


class Reader:
    """Follows the page's commands in an empty folder, on ports that are free, and waits where a person would."""

    def __init__(self, folder: Path, http: httpx.Client) -> None:
        self._folder = folder
        self._ports = {"8900": str(free_port()), "8000": str(free_port())}
        self._http = http

    def _mine(self, command: str) -> str:
        for told, mine in self._ports.items():
            command = command.replace(f"127.0.0.1:{told}", f"127.0.0.1:{mine}")
            command = command.replace(f"--port {told}", f"--port {mine}")
        return command.replace("/tmp/", f"{self._folder}/").replace("@examples", f"@{ROOT}/examples")  # noqa: S108

    def _program(self, command: str) -> tuple[list[str], dict[str, str]]:
        words = shlex.split(self._mine(command))
        settings = {}
        while "=" in words[0]:
            name, _, settings[name] = words.pop(0).partition("=")
        assert words[:3] == ["uv", "run", "resus-fhir"], command
        environment = {name: value for name, value in os.environ.items() if not name.startswith("RESUS_")}
        return [sys.executable, "-m", "service", *words[3:]], {**environment, "PYTHONPATH": str(ROOT), **settings}

    @contextmanager
    def serving(self, command: str) -> Iterator[None]:
        """Have a command serve that a person leaves running in a terminal."""
        program, environment = self._program(command)
        port = program[program.index("--port") + 1]
        with (self._folder / f"log-{port}").open("wb") as log:
            process = subprocess.Popen(program, cwd=self._folder, env=environment, stdout=log, stderr=log)
            try:
                self._wait(f"http://127.0.0.1:{port}/health/ready", process)
                yield
            finally:
                process.terminate()
                process.wait(20)

    def _wait(self, address: str, process: subprocess.Popen[bytes]) -> None:
        deadline = time.monotonic() + 60
        while True:
            assert process.poll() is None, "the service ended"
            assert time.monotonic() < deadline, "the service does not answer"
            try:
                if self._http.get(address).status_code == 200:
                    return
            except httpx.TransportError:
                time.sleep(0.1)

    def run(self, command: str) -> subprocess.CompletedProcess[str]:
        """Run a command to its end."""
        program, environment = self._program(command)
        return subprocess.run(
            program, cwd=self._folder, env=environment, capture_output=True, text=True, timeout=120, check=False
        )

    def curl(self, command: str) -> httpx.Response:
        """Do what a curl command asks for."""
        words = shlex.split(self._mine(command))[1:]
        address = next(word for word in words if word.startswith("http"))
        body = next((Path(word[1:]).read_bytes() for word in words if word.startswith("@")), None)
        method = words[words.index("-X") + 1] if "-X" in words else "GET" if body is None else "POST"
        headers = {"Content-Type": "application/json"} if body is not None else {}
        return self._http.request(method, address, content=body, headers=headers)

    def until_delivered(self) -> None:
        """Wait as long as it takes a person to type the next command."""
        deadline = time.monotonic() + 30
        address = f"http://127.0.0.1:{self._ports['8000']}/v1/deliveries?state=waiting"
        while self._http.get(address).json()["deliveries"]:
            assert time.monotonic() < deadline
            time.sleep(0.1)


def _commands(heading: str, text: str) -> list[str]:
    return [line for block in fenced(section(text, heading), "sh") for line in block.splitlines()]


def test_the_page_leads_from_a_url_to_a_verified_resource_in_under_five_minutes(tmp_path: Path) -> None:
    (foreign,) = fenced(TEXT.partition("## 1.")[0], "sh")
    (check,) = _commands("1. Can it be delivered to?", TEXT)
    serve, *rest = _commands("2. The first verified resource", TEXT)
    begun = time.monotonic()
    with httpx.Client(trust_env=False, timeout=30) as http:
        _follow(Reader(tmp_path, http), foreign.strip(), check, serve, rest)
    assert time.monotonic() - begun < 300


def _follow(reader: Reader, foreign: str, check: str, serve: str, rest: list[str]) -> None:
    with reader.serving(foreign):
        checked = reader.run(check)
        assert checked.returncode == 0, checked.stdout + checked.stderr
        assert checked.stdout.endswith("everything needed is there\n")
        with reader.serving(serve):
            posts = [command for command in rest if "--json" in command]
            assert [reader.curl(command).status_code for command in posts] == [201, 201, 207]
            reader.until_delivered()
            asked = [command for command in rest if command.startswith("curl") and command not in posts]
            destination, held, case = [reader.curl(command).json() for command in asked]
            assert destination["usable"] is True
            assert held["deliveries"] == []
            assert case["read_back"]["kept"] == 0
            (verify,) = [command for command in rest if "delivery verify" in command]
            verified = reader.run(verify)
            assert verified.returncode == 0, verified.stdout + verified.stderr
            (shown,) = fenced(section(TEXT, "2. The first verified resource"), "text")
            assert verified.stdout == shown
            kept = int(re.findall(r"(\d+) kept", shown)[0])
            assert reader.curl(asked[2]).json()["read_back"]["kept"] == kept
