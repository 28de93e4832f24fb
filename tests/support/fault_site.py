"""All that a fault run plays with: the store, services, workers, the FHIR server, and the network between them."""

from __future__ import annotations

import shutil
import sys
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import httpx

from service.demo import free_port
from tests.support.cut_network import Network
from tests.support.faulted_processes import Clock, FaultedPostgresql, ManagedProcess, SmallDisk, small_disk

StoreKind = Literal["postgresql", "sqlite"]

TIMEOUT_SECONDS = 2
LEASE_SECONDS = 2 * TIMEOUT_SECONDS + 10
"""How long a lease lasts with that timeout; a worker that is stopped for longer has lost its lanes."""

CHANCE = 0.65
PAUSE_SECONDS = (3.0, 8.0)

_READY_SECONDS = 180.0


@dataclass(frozen=True, slots=True)
class Setting:
    """What a run is asked for. `chance` is that of a fault for each Bundle that reaches the FHIR server."""

    store: StoreKind
    seed: int
    faults: int
    minutes: float
    folder: Path
    chance: float = CHANCE
    clients: int = 8
    pause_seconds: tuple[float, float] = PAUSE_SECONDS
    """Between what is broken beside HTTP."""
    longest_jumps: tuple[int, ...] = (60, 600, 10_800)
    """Up to how many seconds a clock jumps: one of these each time."""


@dataclass(frozen=True, slots=True)
class Outage:
    """From when until when something was stopped, killed, cut off or without its store."""

    begins: float
    ends: float
    name: str


@dataclass(slots=True)
class Site:
    """The parts, each by its name, and what was done to them when."""

    store: Path | str
    """Where the store is, past the network."""
    services: dict[str, ManagedProcess]
    workers: dict[str, ManagedProcess]
    bases: list[str]
    fhir: ManagedProcess
    fhir_base: str
    record: Path
    network: Network
    disk: SmallDisk
    postgresql: FaultedPostgresql | None
    broken: Counter[str] = field(default_factory=Counter)
    """How often each kind of fault beside HTTP was played."""
    outages: list[Outage] = field(default_factory=list)

    @property
    def delivering(self) -> dict[str, ManagedProcess]:
        """Return the processes that deliver."""
        return self.workers or self.services

    @property
    def processes(self) -> list[ManagedProcess]:
        """Return all processes but PostgreSQL's."""
        return [self.fhir, *self.services.values(), *self.workers.values()]

    def caller_of(self, address: str) -> str:
        """Return the name of the process that reaches the FHIR server from an address."""
        names = {route.source: name for name, route in self.network.routes.items() if name.startswith("fhir-")}
        return names[address].removeprefix("fhir-")

    def start_what_ended(self) -> None:
        """Start everything that does not run, as whoever operates it would."""
        if self.postgresql is not None:
            self.postgresql.ensure_running()
        for process in self.processes:
            process.start()

    def calm_down(self) -> None:
        """End every fault, start everything, and return once the services are ready."""
        self.record.with_suffix(".calm").touch()
        self.disk.free()
        for name in self.network.routes:
            self.network.change(name, "open")
        for process in self.processes:
            process.go_on()
            if process.clock is not None:
                process.clock.jump(0)
        deadline = time.monotonic() + _READY_SECONDS
        while True:
            self.start_what_ended()
            if all(_is_ready(f"{base}/health/ready") for base in self.bases) and _is_ready(
                f"{self.fhir_base}/metadata"
            ):
                return
            if time.monotonic() > deadline:
                raise RuntimeError("not everything was ready in time after the faults; see the logs")
            time.sleep(0.2)

    def kill_all(self) -> None:
        """End every process."""
        for process in self.processes:
            process.kill()
        if self.postgresql is not None:
            self.postgresql.kill()


def _is_ready(address: str) -> bool:
    try:
        return httpx.get(address, timeout=10, trust_env=False).status_code == 200
    except httpx.TransportError:
        return False


@contextmanager
def fault_site(setting: Setting) -> Iterator[Site]:
    """Yield a site whose parts run; nothing of it runs when this returns."""
    folder = setting.folder
    (folder / "logs").mkdir(parents=True)
    # PostgreSQL runs as a user of its own, which has to reach its data.
    folder.chmod(0o755)
    with ExitStack() as stack:
        disk = stack.enter_context(small_disk(folder / "disk"))
        stack.push(lambda kind, *_: _keep_store(disk, folder) if kind is not None else None)
        site = (_with_postgresql if setting.store == "postgresql" else _with_sqlite)(setting, disk, stack)
        stack.callback(site.kill_all)
        site.fhir.start()
        for name, process in {**site.services, **site.workers}.items():
            process.start()
            if name == "serve-1":
                # One alone at first, so that the tables are there for the others.
                _wait_for(site.bases[0])
        for base in site.bases:
            _wait_for(base)
        yield site


def _keep_store(disk: SmallDisk, folder: Path) -> None:
    """Copy the store to where it stays, for whoever looks for the reason of a failure."""
    disk.free()
    shutil.copytree(disk.folder, folder / "kept")


def _wait_for(base: str) -> None:
    deadline = time.monotonic() + _READY_SECONDS
    while not _is_ready(f"{base}/health/ready"):
        if time.monotonic() > deadline:
            raise RuntimeError(f"the service at {base} was not ready in time; see its log")
        time.sleep(0.1)


def _fhir_server(setting: Setting, port: int) -> ManagedProcess:
    folder = setting.folder
    command = [
        sys.executable,
        "-m",
        "tests.support.random_fhir_server",
        str(folder / "fhir.sqlite"),
        str(port),
        str(folder / "record.tsv"),
        str(setting.seed),
        str(setting.chance),
    ]
    return ManagedProcess("fhir", command, {}, folder / "logs")


def _environment(store: str, fhir_port: int) -> dict[str, str]:
    return {
        "RESUS_STORE": store,
        "RESUS_DESTINATION": f"http://127.0.0.1:{fhir_port}/fhir",
        "RESUS_RETRY_FIRST_SECONDS": "0.05",
        "RESUS_RETRY_MAX_SECONDS": "0.2",
        "RESUS_TIMEOUT_SECONDS": str(TIMEOUT_SECONDS),
    }


def _process(name: str, arguments: list[str], environment: dict[str, str], folder: Path) -> ManagedProcess:
    clock = Clock(folder / f"{name}.clock")
    return ManagedProcess(name, [sys.executable, "-m", "service", *arguments], environment, folder / "logs", clock)


def _with_postgresql(setting: Setting, disk: SmallDisk, stack: ExitStack) -> Site:
    postgresql = FaultedPostgresql(disk.folder / "postgresql", "max_wal_size=256MB", "shared_buffers=256MB")
    postgresql.start()
    fhir_port = free_port()
    names = ("serve-1", "serve-2", "deliver-1", "deliver-2")
    targets = {f"fhir-{name}": fhir_port for name in names[2:]} | {
        f"store-{name}": postgresql.port for name in names
    }
    network = stack.enter_context(Network(targets))
    ports = {name: free_port() for name in names[:2]}

    def environment(name: str) -> dict[str, str]:
        store_port = network.routes[f"store-{name}"].port
        reached = network.routes[f"fhir-{name}"].port if name in names[2:] else fhir_port
        return _environment(f"postgresql://resus@127.0.0.1:{store_port}/postgres", reached)

    return Site(
        store=postgresql.url,
        services={
            name: _process(name, ["serve", "--no-deliver", "--port", str(port)], environment(name), setting.folder)
            for name, port in ports.items()
        },
        workers={name: _process(name, ["deliver"], environment(name), setting.folder) for name in names[2:]},
        bases=[f"http://127.0.0.1:{port}" for port in ports.values()],
        fhir=_fhir_server(setting, fhir_port),
        fhir_base=f"http://127.0.0.1:{fhir_port}/fhir",
        record=setting.folder / "record.tsv",
        network=network,
        disk=disk,
        postgresql=postgresql,
    )


def _with_sqlite(setting: Setting, disk: SmallDisk, stack: ExitStack) -> Site:
    fhir_port = free_port()
    ports = {name: free_port() for name in ("serve-1", "serve-2")}
    network = stack.enter_context(Network({f"fhir-{name}": fhir_port for name in ports}))
    store = disk.folder / "service.sqlite"
    return Site(
        store=store,
        services={
            name: _process(
                name,
                ["serve", "--port", str(port)],
                _environment(str(store), network.routes[f"fhir-{name}"].port),
                setting.folder,
            )
            for name, port in ports.items()
        },
        workers={},
        bases=[f"http://127.0.0.1:{port}" for port in ports.values()],
        fhir=_fhir_server(setting, fhir_port),
        fhir_base=f"http://127.0.0.1:{fhir_port}/fhir",
        record=setting.folder / "record.tsv",
        network=network,
        disk=disk,
        postgresql=None,
    )
