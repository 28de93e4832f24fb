"""Starts other people's FHIR servers for the interop tests, on this machine only and each with its own store."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import httpx

from service.demo import free_port
from tests.support.maven_project import BuildFailedError, build_project, find_program

INTEROP = Path(__file__).parents[1] / "interop"
SEKMET_REQUIREMENT = "sekmet-fhir==0.1.1"
SEKMET_ENVIRONMENT = Path(__file__).parents[2] / ".interop" / "sekmet"
HAPI_PROJECT = INTEROP / "hapi_jpa_server"
HAPI_HEAP = "1500m"
MEDPLUM_PROJECT = INTEROP / "medplum_router"
START_SECONDS = 60.0
# Measured: 28 seconds of processor time, most of them for its tables and classes; a busy machine takes minutes.
HAPI_START_SECONDS = 300.0
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
    port = port or free_port()
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
    command = [str(program), "serve", "--config", "settings.yaml"]
    return _start(command, directory, _Place(base_url, directory, _environment_without("SEKMET_")))


def build_hapi_jpa() -> bool:
    """Build HAPI's JPA server where a source is newer than the last build; return whether that was needed.

    Raises ServerFailedError where Java or Maven is absent, or the build fails.
    """
    try:
        return build_project(HAPI_PROJECT)
    except BuildFailedError as error:
        raise ServerFailedError(str(error)) from error


def start_hapi_jpa(directory: Path, port: int | None = None) -> RunningServer:
    """Return a running HAPI JPA server, with HAPI's own settings, whose H2 database and log are in `directory`.

    It listens on 127.0.0.1 only. A directory and port used before give the server back with what it held.

    Raises ServerFailedError where it cannot be built, ends, or does not answer within five minutes.
    """
    build_hapi_jpa()
    port = port or free_port()
    directory.mkdir(parents=True, exist_ok=True)
    command = [
        _program("java"),
        f"-Xmx{HAPI_HEAP}",
        # Both make the start cheaper, which is most of what a test pays for.
        "-XX:+UseSerialGC",
        "-XX:TieredStopAtLevel=1",
        "-cp",
        os.pathsep.join(["target/classes", "target/lib/*"]),
        "interop.HapiJpaServer",
        str(port),
        str(directory.resolve() / "h2"),
    ]
    place = _Place(f"http://127.0.0.1:{port}/fhir", HAPI_PROJECT, dict(os.environ), HAPI_START_SECONDS)
    return _start(command, directory, place)


def install_medplum_router() -> bool:
    """Install the Medplum router where its version is not there; return whether that was needed.

    Raises ServerFailedError where `npm` is absent or the installation fails.
    """
    wanted = json.loads((MEDPLUM_PROJECT / "package.json").read_text(encoding="utf-8"))["dependencies"]
    folders = {name: MEDPLUM_PROJECT / "node_modules" / name / "package.json" for name in wanted}
    if all(
        path.exists() and json.loads(path.read_text(encoding="utf-8"))["version"] == wanted[name]
        for name, path in folders.items()
    ):
        return False
    _run([_program("npm"), "install", "--prefix", str(MEDPLUM_PROJECT), "--loglevel=error"])
    return True


def start_medplum_router(directory: Path, port: int | None = None) -> RunningServer:
    """Return a running Medplum router, over an empty store in its own memory, whose log is in `directory`.

    It listens on 127.0.0.1 only. What it stores ends with it.

    Raises ServerFailedError where it cannot be installed, ends, or does not answer within a minute.
    """
    install_medplum_router()
    port = port or free_port()
    directory.mkdir(parents=True, exist_ok=True)
    command = [_program("node"), "--max-old-space-size=1000", "server.js", str(port)]
    return _start(command, directory, _Place(f"http://127.0.0.1:{port}/fhir", MEDPLUM_PROJECT, dict(os.environ)))


@dataclass(frozen=True, slots=True)
class _Place:
    """Where and how a server runs."""

    base_url: str
    working_directory: Path
    environment: dict[str, str]
    start_seconds: float = START_SECONDS


def _start(command: list[str], directory: Path, place: _Place) -> RunningServer:
    log = directory / "server.log"
    with log.open("ab") as output:
        process = subprocess.Popen(
            command,
            cwd=place.working_directory,
            env=place.environment,
            stdin=subprocess.DEVNULL,
            stdout=output,
            stderr=subprocess.STDOUT,
        )
    server = RunningServer(place.base_url, process, log)
    try:
        _wait_until_it_answers(server, place.start_seconds)
    except BaseException:
        server.kill()
        raise
    return server


def _wait_until_it_answers(server: RunningServer, seconds: float) -> None:
    deadline = time.monotonic() + seconds
    # The machine's proxy settings are not for a server on the same machine.
    with httpx.Client(trust_env=False, timeout=seconds) as client:
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
    raise ServerFailedError(f"no answer within {seconds:g} seconds:\n{_end_of(server.log)}")


def _end_of(log: Path) -> str:
    return log.read_text(encoding="utf-8", errors="replace")[-4_000:]


def _environment_without(prefix: str) -> dict[str, str]:
    return {name: value for name, value in os.environ.items() if not name.startswith(prefix)}


def _run_uv(*arguments: str) -> None:
    _run([_program("uv"), *arguments])


def _program(name: str) -> str:
    try:
        return find_program(name)
    except BuildFailedError as error:
        raise ServerFailedError(f"{error}, and it is needed for the server") from error


def _run(command: list[str]) -> None:
    outcome = subprocess.run(
        command,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        timeout=900,
        check=False,
    )
    if outcome.returncode != 0:
        raise ServerFailedError(f"{' '.join(command[:2])} failed:\n{outcome.stdout[-4_000:]}")
