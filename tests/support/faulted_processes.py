"""What a fault run breaks beside HTTP: processes, the PostgreSQL server, the disk, and the clocks of processes."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

import psycopg

from tests.support.killed_service import run_service_command
from tests.support.postgresql_server import PostgresqlServer

ROOT = Path(__file__).parents[2]
_MIBIBYTE = 1024 * 1024


class Clock:
    """A clock that jumps, for one process; it needs libfaketime (Debian's package faketime)."""

    def __init__(self, file: Path) -> None:
        self._file = file
        self.jump(0)

    @staticmethod
    def library() -> Path:
        """Return the library that fakes the time; RuntimeError where it is not installed."""
        found = sorted(Path("/usr/lib").glob("*/faketime/libfaketimeMT.so.1"))
        if not found:
            raise RuntimeError("there is no libfaketime on this machine: install Debian's package faketime")
        return found[0]

    def environment(self) -> dict[str, str]:
        """Return what a process needs to live by this clock; what it measures durations with stays true."""
        return {
            "LD_PRELOAD": str(self.library()),
            "FAKETIME_TIMESTAMP_FILE": str(self._file),
            "FAKETIME_CACHE_DURATION": "1",
            "FAKETIME_DONT_FAKE_MONOTONIC": "1",
            "DONT_FAKE_MONOTONIC": "1",
            # Python compares the times of files to know whether what it has compiled is still good.
            "NO_FAKE_STAT": "1",
        }

    def jump(self, seconds: int) -> None:
        """Have the clock be so many seconds ahead of the true time, within about a second."""
        new = self._file.with_suffix(".new")
        new.write_text(f"{seconds:+d}s\n", encoding="ascii")
        new.replace(self._file)


class ManagedProcess:
    """A command that is started, killed, stopped and continued; each start has a log of its own."""

    def __init__(
        self,
        name: str,
        command: Sequence[str],
        environment: Mapping[str, str],
        logs: Path,
        clock: Clock | None = None,
    ) -> None:
        self.name = name
        self.clock = clock
        self.starts = 0
        self.ended_by_itself: list[str] = []
        """What the log said last of each start that ended without having been killed."""
        self._command = command
        self._environment = {key: value for key, value in os.environ.items() if not key.startswith("RESUS_")}
        self._environment |= {**environment, **(clock.environment() if clock else {})}
        self._logs = logs
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def log(self) -> Path:
        """Return the log of the newest start."""
        return self._logs / f"{self.name}.{self.starts:04d}.log"

    def start(self) -> None:
        """Start it where it does not run; return at once."""
        if self._process is not None and self._process.poll() is None:
            return
        self._note_end()
        self.starts += 1
        with self.log.open("ab") as log:
            self._process = subprocess.Popen(
                list(self._command),
                cwd=ROOT,
                env=self._environment,
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
            )

    def kill(self) -> None:
        """End it as a power cut of the process would."""
        if self._process is not None and self._process.poll() is None:
            self._process.kill()
            self._process.wait()
            self._forget()
        self._note_end()

    def stop(self) -> None:
        """Have it do nothing until it is continued."""
        self._signal(signal.SIGSTOP)

    def go_on(self) -> None:
        """Have it go on where it was stopped."""
        self._signal(signal.SIGCONT)

    def run_command(self, *arguments: str) -> subprocess.CompletedProcess[str]:
        """Run another command of the service with the settings of this process."""
        return run_service_command(self._environment, *arguments, timeout_seconds=600)

    def _signal(self, number: signal.Signals) -> None:
        if self._process is not None and self._process.poll() is None:
            self._process.send_signal(number)

    def _note_end(self) -> None:
        """Note that it has ended without having been killed, where that is so."""
        if self._process is not None:
            says = self.log.read_text(encoding="utf-8", errors="replace")[-600:]
            self.ended_by_itself.append(f"status {self._process.returncode}: {says}")
            self._forget()

    def _forget(self) -> None:
        if self._process is not None:
            # A killed process leaves behind what libfaketime shares with its children.
            for kind in ("faketime_shm_", "sem.faketime_sem_"):
                with suppress(OSError):
                    Path(f"/dev/shm/{kind}{self._process.pid}").unlink()  # noqa: S108 - not ours to choose.
        self._process = None


class FaultedPostgresql(PostgresqlServer):
    """A PostgreSQL server that may also have ended by itself, as it does when its disk is full."""

    @property
    def is_running(self) -> bool:
        """Return whether its first process runs."""
        return self._process is not None and self._process.poll() is None

    def kill(self) -> None:
        """End it, however far it has come."""
        if self.is_running:
            with suppress(FileNotFoundError, IndexError, ProcessLookupError):
                super().kill()
                return
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None
        time.sleep(0.3)
        (self._folder / "data" / "postmaster.pid").unlink(missing_ok=True)

    def ensure_running(self, seconds: float = 120) -> None:
        """Start it where it does not run, as often as that takes, and return once it answers."""
        deadline = time.monotonic() + seconds
        while not self._answers():
            if time.monotonic() > deadline:
                raise RuntimeError(f"PostgreSQL does not come back; see {self._folder / 'server.log'}")
            if self.is_running:
                # It is at its recovery.
                time.sleep(0.1)
                continue
            self.kill()
            with suppress(RuntimeError):
                self.start()

    def _answers(self) -> bool:
        try:
            psycopg.connect(self.url, connect_timeout=2).close()
        except psycopg.OperationalError:
            return False
        return self.is_running


class SmallDisk:
    """A file system in memory that can be full; it needs the right to mount."""

    def __init__(self, folder: Path, mibibytes: int) -> None:
        self.folder = folder
        self._size = mibibytes * _MIBIBYTE

    def fill(self) -> None:
        """Leave no more room than a few pages: the size is set to what is used, which costs no memory."""
        room = 64 * 1024
        # What was written meanwhile may not fit any more, and then the size stays as it was.
        while not self._remount(shutil.disk_usage(self.folder).used + room):
            room *= 2

    def free(self) -> None:
        """Leave room again."""
        if not self._remount(self._size):
            raise RuntimeError(f"{self.folder} cannot be made larger again")

    def _remount(self, size: int) -> bool:
        mount = ["mount", "-o", f"remount,size={size}", str(self.folder)]
        return subprocess.run(mount, check=False, capture_output=True).returncode == 0


@contextmanager
def small_disk(folder: Path, mibibytes: int = 6144) -> Iterator[SmallDisk]:
    """Yield a disk at a new folder."""
    folder.mkdir()
    disk = SmallDisk(folder, mibibytes)
    mount = ["mount", "-t", "tmpfs", "-o", f"size={mibibytes}m,mode=0755", "tmpfs", str(folder)]
    subprocess.run(mount, check=True)
    try:
        yield disk
    finally:
        disk.free()
        subprocess.run(["umount", "--lazy", str(folder)], check=True)
