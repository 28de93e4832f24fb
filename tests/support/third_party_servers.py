"""Starts other people's FHIR servers for the interop tests, on this machine only and each with its own store."""

from __future__ import annotations

import json
import os
import shutil
import socket
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import httpx

SEKMET_REQUIREMENT = "sekmet-fhir==0.1.1"
SEKMET_ENVIRONMENT = Path(__file__).parents[2] / ".interop" / "sekmet"
START_SECONDS = 60.0
STOP_SECONDS = 10.0


class ServerFailedError(RuntimeError):
    """The server could not be installed or did not start; the message holds what it said."""


@dataclass(frozen=True, slots=True)
class RunningServer:
    """A FHIR server that answers at `base_url` until it is stopped."""

    base_url: str
    process: subprocess.Popen[bytes]
    log: Path

    def stop(self) -> None:
        """End the server and return once it has gone; what it stored stays where it is."""
        self.process.terminate()
        try:
            self.process.wait(timeout=STOP_SECONDS)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()

    def kill(self) -> None:
        """End the server as a power cut would."""
        self.process.kill()
        self.process.wait()


def install_sekmet() -> Path:
    """Return the server's program, after installing it into an environment of its own where it is not there.

    Raises ServerFailedError where `uv` is absent or the installation fails.
    """
    name, version = SEKMET_REQUIREMENT.split("==")
    program = SEKMET_ENVIRONMENT / "bin" / "sekmet"
    dist_info = f"lib/python*/site-packages/{name.replace('-', '_')}-{version}.dist-info"
    if program.exists() and any(SEKMET_ENVIRONMENT.glob(dist_info)):
        return program
    python = str(SEKMET_ENVIRONMENT / "bin" / "python")
    _run_uv("venv", "--quiet", "--clear", "--python", sys.executable, str(SEKMET_ENVIRONMENT))
    _run_uv("pip", "install", "--quiet", "--python", python, SEKMET_REQUIREMENT)
    return program


def start_sekmet(directory: Path, port: int | None = None) -> RunningServer:
    """Return a running sekmet-fhir whose store, settings and log are in `directory`.

    It listens on 127.0.0.1 only, makes nothing up by itself (its simulator is off) and keeps no copy of the
    traffic. A directory and port used before give the server back with what it held.

    Raises ServerFailedError where it ends or does not answer within a minute.
    """
    program = install_sekmet()
    port = port or _free_port()
    base_url = f"http://127.0.0.1:{port}/fhir"
    directory.mkdir(parents=True, exist_ok=True)
    settings = {
        "base_url": base_url,
        "host": "127.0.0.1",
        "port": port,
        "data_dir": str(directory / "data"),
        "own_private_key_path": str(directory / "private.pem"),
        "simulator": {"enabled": False},
        "log_inbound": False,
    }
    # Its settings are YAML, of which JSON is a part.
    (directory / "settings.yaml").write_text(json.dumps(settings), encoding="utf-8")
    log = directory / "server.log"
    with log.open("ab") as output:
        process = subprocess.Popen(
            [str(program), "serve", "--config", "settings.yaml"],
            cwd=directory,
            env=_environment_without("SEKMET_"),
            stdin=subprocess.DEVNULL,
            stdout=output,
            stderr=subprocess.STDOUT,
        )
    server = RunningServer(base_url, process, log)
    try:
        _wait_until_it_answers(server)
    except BaseException:
        server.kill()
        raise
    return server


def _wait_until_it_answers(server: RunningServer) -> None:
    deadline = time.monotonic() + START_SECONDS
    # The machine's proxy settings are not for a server on the same machine.
    with httpx.Client(trust_env=False, timeout=5.0) as client:
        while time.monotonic() < deadline:
            if server.process.poll() is not None:
                raise ServerFailedError(
                    f"the server ended with exit code {server.process.returncode}:\n{_end_of(server.log)}"
                )
            try:
                if client.get(f"{server.base_url}/metadata").status_code == httpx.codes.OK:
                    return
            except httpx.TransportError:
                # It does not listen yet.
                time.sleep(0.05)
    raise ServerFailedError(f"no answer within {START_SECONDS:g} seconds:\n{_end_of(server.log)}")


def _end_of(log: Path) -> str:
    return log.read_text(encoding="utf-8", errors="replace")[-4_000:]


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
    return port


def _environment_without(prefix: str) -> dict[str, str]:
    return {name: value for name, value in os.environ.items() if not name.startswith(prefix)}


def _run_uv(*arguments: str) -> None:
    uv = shutil.which("uv")
    if uv is None:
        raise ServerFailedError("uv is needed to install the server, and there is no `uv` on the path")
    outcome = subprocess.run(
        [uv, *arguments],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        timeout=900,
        check=False,
    )
    if outcome.returncode != 0:
        raise ServerFailedError(f"uv {arguments[0]} failed:\n{outcome.stdout[-4_000:]}")
