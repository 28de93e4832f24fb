"""A FHIR server in a process of its own that fails at random, and keeps a record of it that outlives its end.

`python -m tests.support.random_fhir_server STORE PORT RECORD SEED CHANCE`: faults are played with that chance until
a file RECORD.calm exists. The record has a line for each start, each Bundle and each fault, with moments of the
monotonic clock, which all processes of a machine share; it is written before the fault is played.
"""

from __future__ import annotations

import hashlib
import os
import random
import signal
import sys
import time
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from starlette.applications import Starlette
from starlette.types import ASGIApp, Receive, Scope, Send

from service.checking.check_resource import check_resource
from service.checking.table import COVERED_RESOURCES
from service.clock import random_id, system_clock
from service.endpoint.application import create_endpoint
from service.endpoint.mount_endpoint import routes_at
from tests.support.faulty_fhir_server import (
    PATH,
    Exchange,
    Fault,
    Told,
    answering,
    as_a_batch,
    drip,
    half_the_entries,
    honestly,
    html,
    read_exchange,
    redirecting,
    refusing,
    reset_after,
    reset_before,
)
from tests.support.served_in_thread import served

_ELSEWHERE = "http://127.0.0.1:9/fhir"
"""Where a redirect leads: the port at which, by its definition, everything is thrown away."""

BUNDLE_FAULTS: Mapping[str, tuple[int, Fault]] = {
    "reset before the commit": (4, reset_before),
    "reset after the commit": (6, reset_after),
    "408": (4, refusing(408, "timeout")),
    "409": (12, refusing(409, "conflict")),
    "412": (7, refusing(412, "conflict")),
    "413": (5, refusing(413, "too-long")),
    "422": (4, refusing(422, "business-rule")),
    "429 with a wait": (6, refusing(429, "throttled", retry_after="0")),
    "500": (12, refusing(500, "exception")),
    "500 after the commit": (6, html(500, done=True)),
    "502 as HTML": (3, html(502)),
    "502 as HTML after the commit": (3, html(502, done=True)),
    "503": (4, refusing(503, "transient")),
    "200 as HTML after the commit": (6, html(200, done=True)),
    "an empty answer after the commit": (6, answering(200, b"", "application/fhir+json", done=True)),
    "a batch-response": (5, as_a_batch),
    "half the entries": (6, half_the_entries),
    "an answer that drips": (1, drip(0.05)),
    "a redirect": (1, redirecting(_ELSEWHERE)),
    "401": (1, refusing(401, "login")),
}
"""How often, among each other, and what is played for a Bundle."""

METADATA_FAULTS: Mapping[str, tuple[int, Fault]] = {
    "metadata: reset": (3, reset_before),
    "metadata: 503": (3, html(503)),
    "metadata: a page": (2, html(200)),
    "metadata: 404": (1, answering(404, b"", "text/plain")),
}


_METADATA_SHARE = 0.4
"""How much rarer a fault is there than for a Bundle: while the question fails, nothing is sent at all."""


class _RecordedExchange(Exchange):
    """An exchange of which the record says when the endpoint has done what is asked."""

    record: _Record
    number: int

    async def honest(self) -> Told:
        told = await super().honest()
        self.record.line("done", self.number)
        return told


class _Record:
    """The file of the record; each line is one write, which a killed process has made or has not."""

    def __init__(self, path: Path) -> None:
        self._file = os.open(path, os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o644)

    def line(self, *words: object) -> None:
        """Append a line: its words, the moment first."""
        os.write(self._file, ("\t".join(map(str, (f"{time.monotonic():.6f}", *words))) + "\n").encode())


class RandomlyFaulty:
    """The layer before the endpoint."""

    def __init__(self, app: ASGIApp, record_path: Path, seed: str, chance: float) -> None:
        self._app = app
        self._record = _Record(record_path)
        self._calm = record_path.with_suffix(".calm")
        self._random = random.Random(seed)  # noqa: S311 - faults, not secrets.
        self._chance = chance
        self._number = 0
        self._record.line("start")

    def _choose(self, faults: Mapping[str, tuple[int, Fault]], chance: float) -> tuple[str, Fault]:
        if self._random.random() >= chance or self._calm.exists():
            return "", honestly
        (name,) = self._random.choices(list(faults), [weight for weight, _ in faults.values()])
        return name, faults[name][1]

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Take a request and answer it, honestly or not."""
        exchange = await read_exchange(_RecordedExchange, self._app, scope, receive, send)
        if exchange is None:
            return
        self._number += 1
        exchange.record, exchange.number = self._record, self._number
        if exchange.is_bundle:
            name, fault = self._choose(BUNDLE_FAULTS, self._chance)
            caller = scope["client"][0]
            body_hash = hashlib.sha256(exchange.body).hexdigest()
            self._record.line("bundle", self._number, caller, body_hash, name)
        elif exchange.is_metadata:
            name, fault = self._choose(METADATA_FAULTS, self._chance * _METADATA_SHARE)
            if name:
                self._record.line("metadata", self._number, name)
        else:
            fault = honestly
        await fault(exchange)


@dataclass(slots=True)
class Sending:
    """One Bundle that came: from whom, when, until when it was worked on, and the fault that was played, if any."""

    began: float
    ended: float
    caller: str
    body_hash: str
    fault: str


@dataclass(slots=True)
class ServerRecord:
    """What a record says."""

    starts: int = 0
    faults: Counter[str] = field(default_factory=Counter)
    sendings: list[Sending] = field(default_factory=list)


def read_record(path: Path) -> ServerRecord:
    """Return what the record says, up to its last whole line."""
    read = ServerRecord()
    open_sendings: dict[str, Sending] = {}
    for line in path.read_text(encoding="utf-8").split("\n")[:-1]:
        moment, what, *words = line.split("\t")
        if what == "start":
            # What a killed process was at came to its end with it, at the latest now.
            for sending in open_sendings.values():
                if not sending.fault:
                    sending.ended = float(moment)
            open_sendings.clear()
            read.starts += 1
        elif what == "bundle":
            number, caller, body_hash, fault = words
            sending = Sending(float(moment), float(moment), caller, body_hash, fault)
            open_sendings[number] = sending
            read.sendings.append(sending)
            read.faults[fault] += 1
        elif what == "metadata":
            read.faults[words[1]] += 1
        elif words[0] in open_sendings:
            open_sendings.pop(words[0]).ended = float(moment)
    del read.faults[""]
    return read


def serve(store: Path, port: int, record: Path, seed: str, chance: float) -> None:
    """Serve at /fhir until the process is ended."""
    endpoint = create_endpoint(
        store, check=check_resource, clock=system_clock, make_id=random_id, served=frozenset(COVERED_RESOURCES)
    )
    starts = read_record(record).starts if record.exists() else 0
    # Each start draws faults of its own, not those of the start before again.
    app = RandomlyFaulty(Starlette(routes=routes_at(PATH, endpoint)), record, f"{seed}/{starts}", chance)
    with served(app, port, lifespan="off"):
        signal.pause()


def main(arguments: Sequence[str]) -> None:
    """Serve as the arguments say."""
    store, port, record, seed, chance = arguments
    serve(Path(store), int(port), Path(record), seed, float(chance))


if __name__ == "__main__":
    main(sys.argv[1:])
