"""Breaks a part of a fault run's site, waits a moment, and repairs it; the seed says what and for how long."""

from __future__ import annotations

import random
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager

from tests.support.cut_network import Mode
from tests.support.fault_site import LEASE_SECONDS, Outage, Site
from tests.support.faulted_processes import ManagedProcess

Break = Callable[[], None]


class Breaker:
    """Plays the faults beside HTTP."""

    def __init__(self, site: Site, chance: random.Random, longest_jumps: Sequence[int]) -> None:
        self._site = site
        self._longest_jumps = longest_jumps
        self._random = chance
        self._faults: dict[str, tuple[float, Break]] = {
            "a service is killed": (20, self._kill_service),
            "the FHIR server is killed": (12, self._kill_fhir_server),
            "the network to the FHIR server refuses": (9, lambda: self._cut("fhir-", "refuse")),
            "the network to the FHIR server swallows": (7, lambda: self._cut("fhir-", "swallow")),
            "a clock jumps": (10, self._jump),
            "the disk of the store is full": (5, self._fill_disk),
            "a worker is stopped for longer than its lease": (1.2, self._stop_worker),
        }
        if site.postgresql is not None:
            self._faults |= {
                "a worker is killed": (18, self._kill_worker),
                "PostgreSQL is killed": (8, self._kill_postgresql),
                "the network to PostgreSQL refuses": (7, lambda: self._cut("store-", "refuse")),
                "the network to PostgreSQL swallows": (5, lambda: self._cut("store-", "swallow")),
            }

    @property
    def kinds(self) -> list[str]:
        """Return the kinds of faults that this site can have."""
        return list(self._faults)

    def pause(self, seconds: tuple[float, float]) -> float:
        """Return how long to wait before the next fault."""
        return self._random.uniform(*seconds)

    def break_something(self, kind: str | None = None) -> None:
        """Play one fault, of the kind that is named or of any, and repair it; it is counted before it is played."""
        if kind is None:
            (kind,) = self._random.choices(self.kinds, [weight for weight, _ in self._faults.values()])
        self._site.broken[kind] += 1
        self._faults[kind][1]()

    @contextmanager
    def _outage_of(self, *names: str) -> Iterator[None]:
        begins = time.monotonic()
        try:
            yield
        finally:
            self._site.outages += [Outage(begins, time.monotonic(), name) for name in names]

    def _one_of(self, processes: dict[str, ManagedProcess]) -> ManagedProcess:
        return processes[self._random.choice(sorted(processes))]

    def _kill(self, process: ManagedProcess) -> None:
        with self._outage_of(process.name):
            process.kill()
            time.sleep(self._random.choice((0.0, 0.0, self._random.uniform(0.0, 1.0))))
            process.start()

    def _kill_service(self) -> None:
        self._kill(self._one_of(self._site.services))

    def _kill_worker(self) -> None:
        self._kill(self._one_of(self._site.workers))

    def _kill_fhir_server(self) -> None:
        self._kill(self._site.fhir)

    def _kill_postgresql(self) -> None:
        server = self._site.postgresql
        assert server is not None
        with self._outage_of(*self._site.delivering):
            server.kill()
            time.sleep(self._random.uniform(0.0, 1.0))
            server.ensure_running()

    def _cut(self, prefix: str, mode: Mode) -> None:
        names = [name for name in self._site.network.routes if name.startswith(prefix)]
        cut = names if self._random.random() < 0.4 else [self._random.choice(names)]
        with self._outage_of(*(name.removeprefix(prefix) for name in cut)):
            for name in cut:
                self._site.network.change(name, mode)
            time.sleep(self._random.uniform(0.2, 3.0))
            for name in cut:
                self._site.network.change(name, "open")

    def _jump(self) -> None:
        """Have the clock of one process jump, forward or back, to seconds or hours from the true time."""
        process = self._one_of(self._site.services | self._site.workers)
        if process.clock is not None:
            longest = self._random.choice(self._longest_jumps)
            process.clock.jump(self._random.choice((-1, 1)) * self._random.randrange(10, longest))

    def _fill_disk(self) -> None:
        with self._outage_of(*self._site.delivering):
            self._site.disk.fill()
            time.sleep(self._random.uniform(0.3, 2.0))
            self._site.disk.free()
            if self._site.postgresql is not None:
                self._site.postgresql.ensure_running()

    def _stop_worker(self) -> None:
        process = self._one_of(self._site.delivering)
        with self._outage_of(process.name):
            process.stop()
            time.sleep(LEASE_SECONDS + self._random.uniform(1.0, 4.0))
            process.go_on()
