"""A PostgreSQL server of the tests' own, on a free port of the loopback address, with its data in a folder.

`python -m tests.support.postgresql_server COMMAND ...` starts one, runs the command with TEST_STORE_POSTGRESQL set
to its URL, stops it, and ends as the command did.
"""

from __future__ import annotations

import os
import pwd
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import psycopg

from service.demo import free_port

_START_SECONDS = 30.0
_USER = "postgres"


def _program(name: str) -> str:
    """Return the path of one of the server's programs; Debian keeps them out of the path."""
    found = shutil.which(name) or next(
        (str(path) for path in sorted(Path("/usr/lib/postgresql").glob(f"*/bin/{name}"), reverse=True)), None
    )
    if found is None:
        raise RuntimeError(f"there is no {name} on this machine: install PostgreSQL")
    return found


def _as_server(arguments: Sequence[str]) -> list[str]:
    """Return the command that runs as a user other than root, which the server refuses."""
    if os.geteuid() != 0:
        return list(arguments)
    return ["runuser", "-u", _USER, "--", *arguments]


class PostgresqlServer:
    """One server, which can be killed and started again over the same data."""

    def __init__(self, folder: Path, *settings: str) -> None:
        self._folder = folder
        self._settings = settings
        self.port = free_port()
        self._process: subprocess.Popen[bytes] | None = None
        folder.mkdir(parents=True, exist_ok=True)
        if os.geteuid() == 0:
            user = pwd.getpwnam(_USER)
            os.chown(folder, user.pw_uid, user.pw_gid)
        self._data = folder / "data"
        initialise = [_program("initdb"), "-D", str(self._data), "-U", "resus", "-A", "trust", "-E", "UTF8"]
        subprocess.run(_as_server(initialise), check=True, stdout=subprocess.DEVNULL, cwd="/")

    @property
    def url(self) -> str:
        """Return the URL of the database that every server has."""
        return self.url_of("postgres")

    def url_of(self, database: str) -> str:
        """Return the URL of a database."""
        return f"postgresql://resus@127.0.0.1:{self.port}/{database}"

    def start(self) -> None:
        """Start the server and return once it answers."""
        options = {
            "listen_addresses": "127.0.0.1",
            "port": str(self.port),
            "unix_socket_directories": "",
            "max_connections": "300",
        }
        settings = [f"{name}={value}" for name, value in options.items()] + list(self._settings)
        with (self._folder / "server.log").open("ab") as log:
            self._process = subprocess.Popen(
                _as_server(
                    [
                        _program("postgres"),
                        "-D",
                        str(self._data),
                        *(part for one in settings for part in ("-c", one)),
                    ]
                ),
                stdout=log,
                stderr=log,
                cwd="/",
            )
        deadline = time.monotonic() + _START_SECONDS
        while True:
            try:
                psycopg.connect(self.url, connect_timeout=2).close()
            except psycopg.OperationalError:
                if time.monotonic() > deadline or self._process.poll() is not None:
                    log_text = (self._folder / "server.log").read_text(encoding="utf-8", errors="replace")
                    raise RuntimeError(f"the server did not start:\n{log_text[-2000:]}") from None
                time.sleep(0.05)
            else:
                return

    def _first_process(self) -> int:
        """Return the id of the server's first process, which is not that of `runuser`."""
        return int((self._data / "postmaster.pid").read_text(encoding="utf-8").split()[0])

    def kill(self) -> None:
        """End the server as a power cut of its processes would (SIGKILL); its children notice and end."""
        if self._process is None:
            return
        os.kill(self._first_process(), signal.SIGKILL)
        self._process.wait()
        self._process = None
        # Until its children have gone, they hold the memory that a new server would use.
        time.sleep(0.3)
        (self._data / "postmaster.pid").unlink(missing_ok=True)

    def stop(self) -> None:
        """End the server at once and in order, whoever is connected."""
        if self._process is None:
            return
        os.kill(self._first_process(), signal.SIGINT)
        self._process.wait()
        self._process = None


@contextmanager
def postgresql_server(folder: Path, *settings: str) -> Iterator[PostgresqlServer]:
    """Yield a server that runs; `settings` are of the form name=value."""
    server = PostgresqlServer(folder, *settings)
    server.start()
    try:
        yield server
    finally:
        server.stop()


def main(command: Sequence[str]) -> int:
    """Run a command with a server, and return how it ended."""
    folder = Path(tempfile.mkdtemp(prefix="resus-postgresql-"))
    folder.chmod(0o755)
    try:
        with postgresql_server(folder) as server:
            environment = os.environ | {"TEST_STORE_POSTGRESQL": server.url}
            return subprocess.run(command, env=environment, check=False).returncode
    finally:
        shutil.rmtree(folder)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
