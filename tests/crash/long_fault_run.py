"""Plays thousands of faults of every sort against services, workers and their store, and proves what is left.

`python -m tests.crash.long_fault_run --seed N --faults 10000 [--store postgresql|sqlite] [--minutes M]`; needs root
(for a disk that can be full), Debian's postgresql and faketime. docs/fault-runs.md says what is played.
"""

from __future__ import annotations

import argparse
import random
import shutil
import signal
import sqlite3
import sys
import tempfile
import threading
import time
import traceback
from collections import Counter
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import httpx
import psycopg

from service.exact_json import BrokenJsonError, read_json
from tests.support.break_site import Breaker
from tests.support.delivering_service import Client
from tests.support.fault_site import CHANCE, PAUSE_SECONDS, Setting, Site, fault_site
from tests.support.judge_fault_run import Judged, judge
from tests.support.killed_service import Acknowledged
from tests.support.random_fhir_server import read_record
from tests.support.stores import rows
from tests.support.varied_load import VariedLoad

_MOST_WAITING = 800
"""With more deliveries waiting the clients pause between cases, so that the end of a run does not take as long."""

_DRAIN_SECONDS = 1200.0


@dataclass(frozen=True, slots=True)
class Report:
    """What a run that held was."""

    setting: Setting
    seconds: float
    drain_seconds: float
    http_faults: Counter[str]
    other_faults: Counter[str]
    said: Acknowledged
    retracted: int
    checks: int
    operator_retries: int
    judged: Judged
    starts: dict[str, int]
    ended: Counter[str]
    log_words: Counter[str]
    verified: str

    @property
    def faults(self) -> int:
        """Return how many faults were played."""
        return self.http_faults.total() + self.other_faults.total()

    def markdown(self) -> str:
        """Return the report as one page."""
        judged, said = self.judged, self.said
        facts = {
            "seed": self.setting.seed,
            "store": self.setting.store,
            "date": f"{datetime.now(UTC):%Y-%m-%d}",
            "duration": f"{self.seconds / 60:.1f} minutes under faults, {self.drain_seconds:.0f} seconds to drain",
            "faults injected": self.faults,
            "cases": len(said.versions),
            "events acknowledged": said.events,
            "events corrected / retracted, device checks": (
                f"{sum(version > 1 for case in said.versions.values() for version in case.values())}"
                f" / {self.retracted}, {self.checks}"
            ),
            "calls repeated by the clients": said.repeats,
            "held deliveries that the operator retried": self.operator_retries,
            "Bundles that reached the FHIR server": judged.sendings,
            "resources at the FHIR server": judged.resources,
            "missing, doubled, altered or foreign": 0,
            "histories read, going back": f"{judged.corrected}, 0",
            "lanes handed from one worker to another": judged.handovers,
            "two workers at once in a lane": judged.overlaps,
            "attempts without an outcome, each made again": judged.unsettled,
            "audit": self.verified,
        }
        lines = [
            f"# Fault run: seed {self.setting.seed}, {self.setting.store}",
            "",
            "| what | number |",
            "|---|---|",
        ]
        lines += [f"| {name} | {value} |" for name, value in facts.items()]
        for title, counted in (
            ("outside HTTP", self.other_faults),
            ("of the FHIR server's answers", self.http_faults),
        ):
            lines += ["", f"| fault {title} | times |", "|---|---|"]
            lines += [f"| {name} | {count} |" for name, count in sorted(counted.items())]
            lines += [f"| together | {counted.total()} |"]
        lines += ["", "| process | starts | ended by itself |", "|---|---|---|"]
        lines += [f"| {name} | {count} | {self.ended[name]} |" for name, count in self.starts.items()]
        lines += ["", "| line of a log | times |", "|---|---|"]
        lines += [f"| {word} | {count} |" for word, count in self.log_words.most_common(15)]
        return "\n".join([*lines, ""])


class Operator(threading.Thread):
    """Whoever looks after the service: has what is held sent again, and knows how much waits."""

    def __init__(self, site: Site) -> None:
        super().__init__(name="operator", daemon=True)
        self._site = site
        self._ending = threading.Event()
        self._http = httpx.Client(timeout=90, trust_env=False)
        self.retried = 0
        self.waiting = self.held = 0

    def run(self) -> None:
        """Look and retry until told to end."""
        while not self._ending.wait(1.0):
            self.look()

    def look(self) -> None:
        """Count what is open, and have what is held sent again."""
        with suppress(psycopg.Error, sqlite3.Error):
            counted = dict(
                rows(
                    self._site.store,
                    "SELECT state, count(*) FROM deliveries WHERE state IN ('waiting', 'held') GROUP BY state",
                )
            )
            self.waiting, self.held = counted.get("waiting", 0), counted.get("held", 0)
        if not self.held:
            return
        for base in self._site.bases:
            with suppress(httpx.TransportError):
                answer = self._http.post(f"{base}/v1/deliveries/retry")
                if answer.status_code == 200:
                    self.retried += len(read_json(answer.content)["retried"])
                    return

    def end(self) -> None:
        """Have the thread end."""
        self._ending.set()
        self.join()

    def close(self) -> None:
        """Close the connections."""
        self._http.close()


def play(setting: Setting, say: Callable[[str], None] = print) -> Report:
    """Play a run and return its report; AssertionError or RuntimeError, which say why, where something is wrong."""
    chance = random.Random(setting.seed)  # noqa: S311 - faults, not secrets.
    with fault_site(setting) as site:
        operator = Operator(site)
        loads = [
            VariedLoad(
                site.bases[number % 2 :] + site.bases[: number % 2],
                f"c-{number}",
                random.Random(chance.random()),  # noqa: S311 - the same.
                lambda: operator.waiting > _MOST_WAITING,
            )
            for number in range(setting.clients)
        ]
        operator.start()
        for load in loads:
            load.start()
        began = time.monotonic()
        breaker = Breaker(site, random.Random(chance.random()), setting.longest_jumps)  # noqa: S311 - the same.
        _break_until_enough(setting, site, loads, breaker, say)
        seconds = time.monotonic() - began
        site.calm_down()
        say(f"the faults have ended after {seconds:.0f} seconds")
        said = _together([load.finish() for load in loads])
        operator.end()
        _drain(site, operator, say)
        operator.close()
        drain_seconds = time.monotonic() - began - seconds
        record = read_record(site.record)
        client = Client(site.bases[0])
        client.http.timeout = httpx.Timeout(120)
        judged = judge(site, client, said, record.sendings)
        client.http.close()
        verified = site.services["serve-1"].run_command("audit", "verify")
        assert verified.returncode == 0, verified.stdout + verified.stderr
        return Report(
            setting,
            seconds,
            drain_seconds,
            record.faults,
            site.broken,
            said,
            sum(load.retracted for load in loads),
            sum(load.checks for load in loads),
            operator.retried,
            judged,
            {process.name: process.starts for process in site.processes},
            _ended_by_themselves(site),
            _words_of_logs(setting.folder / "logs"),
            verified.stdout.strip(),
        )


def _break_until_enough(
    setting: Setting, site: Site, loads: Sequence[VariedLoad], breaker: Breaker, say: Callable[[str], None]
) -> None:
    ends = time.monotonic() + setting.minutes * 60
    said_at = time.monotonic()
    first = list(breaker.kinds)
    while True:
        played = read_record(site.record).faults.total() + site.broken.total()
        if played >= setting.faults and not first:
            return
        if time.monotonic() > ends:
            raise AssertionError(f"only {played} of {setting.faults} faults within {setting.minutes:g} minutes")
        if time.monotonic() - said_at > 30:
            said_at = time.monotonic()
            events = sum(load.acknowledged.events for load in loads)
            say(f"{played} faults, {events} events; {dict(site.broken)}")
        failures = [load.failure for load in loads if load.failure is not None]
        assert not failures, failures
        time.sleep(breaker.pause(setting.pause_seconds))
        # Every kind is played once, whatever the seed draws afterwards.
        breaker.break_something(first.pop() if first else None)
        site.start_what_ended()


def _together(all_said: Sequence[Acknowledged]) -> Acknowledged:
    together = Acknowledged()
    for said in all_said:
        together.versions |= said.versions
        together.corrected |= said.corrected
        together.resources |= said.resources
        together.repeats += said.repeats
    return together


def _drain(site: Site, operator: Operator, say: Callable[[str], None]) -> None:
    """Wait until nothing waits and nothing is held, having what is held sent again."""
    deadline = time.monotonic() + _DRAIN_SECONDS
    last = time.monotonic()
    while True:
        operator.waiting = -1
        operator.look()
        if operator.waiting == 0 and operator.held == 0:
            return
        if time.monotonic() > deadline:
            raise AssertionError(f"not drained in time: {operator.waiting} waiting, {operator.held} held")
        if time.monotonic() - last > 30:
            last = time.monotonic()
            say(f"draining: {operator.waiting} waiting, {operator.held} held")
        site.start_what_ended()
        time.sleep(0.5)


def _ended_by_themselves(site: Site) -> Counter[str]:
    """Return how often each process ended by itself, which it may where it finds no store at its start only."""
    for process in site.processes:
        for says in process.ended_by_itself:
            assert "cannot be opened" in says, f"{process.name} ended by itself: {says}"
    return Counter({process.name: len(process.ended_by_itself) for process in site.processes})


def _words_of_logs(folder: Path) -> Counter[str]:
    """Return how often each event stands in the logs, with the kind of process and of error.

    A line that is not JSON counts by how it begins.
    """
    counted: Counter[str] = Counter()
    for log in folder.iterdir():
        kind = log.name.partition(".")[0].partition("-")[0]
        for line in log.read_text(encoding="utf-8", errors="replace").splitlines():
            if line.startswith("{"):
                try:
                    entry = read_json(line.encode())
                except BrokenJsonError:
                    entry = {"event": "(a line that a kill has cut off)"}
                counted[" ".join(filter(None, (kind, entry.get("event"), entry.get("error"))))] += 1
            elif line and not line.startswith(" "):
                counted[f"{kind} {line:.60}"] += 1
    return counted


def main(arguments: Sequence[str] | None = None) -> int:
    """Play as the arguments say; return 0 where everything held."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--seed", type=int, default=20310302)
    parser.add_argument("--faults", type=int, default=10000)
    parser.add_argument("--store", choices=("postgresql", "sqlite"), default="postgresql")
    parser.add_argument("--minutes", type=float, default=120, help="the most that the faults may take")
    parser.add_argument("--chance", type=float, default=CHANCE, help="of a fault for each Bundle")
    parser.add_argument(
        "--pause",
        type=float,
        nargs=2,
        default=PAUSE_SECONDS,
        metavar=("LEAST", "MOST"),
        help="seconds between two faults outside HTTP",
    )
    parser.add_argument("--report", type=Path, help="also write the report to this file")
    asked = parser.parse_args(arguments)
    # Whoever ends the run has its processes ended and its disk unmounted too.
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    folder = Path(tempfile.mkdtemp(prefix="resus-faults-"))
    setting = Setting(
        asked.store,
        asked.seed,
        asked.faults,
        asked.minutes,
        folder / "run",
        chance=asked.chance,
        pause_seconds=(asked.pause[0], asked.pause[1]),
    )
    folder.chmod(0o755)
    try:
        report = play(setting, lambda text: print(text, file=sys.stderr, flush=True))
    except Exception:
        traceback.print_exc()
        print(f"seed {asked.seed}, {asked.store}: it did not hold; the logs are kept in {folder}", file=sys.stderr)
        return 1
    text = report.markdown()
    print(text)
    if asked.report is not None:
        asked.report.write_text(text, encoding="utf-8")
    shutil.rmtree(folder)
    return 0


if __name__ == "__main__":
    sys.exit(main())
