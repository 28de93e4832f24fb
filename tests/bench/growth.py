"""Measures how the cost of one change grows with what is there already: python -m tests.bench.growth.

Costs are to follow the change, not the size. Three things are posted over one store, each as its route does it, in
turns where little is there and where much is, so that a change of the machine's speed reaches both alike: single
events of compressions and of pacing into a case of 100 and into one of 5,000; arrays of 500 of them into a case of
500 and into one of 5,000; a daily check that compares the clock of a device with 10 such days behind it and of one
with 400, on each of which the clock timed ten events of a case. The ratios are those of the medians.
"""

from __future__ import annotations

import statistics
import tempfile
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any

from service.intake.read_check import read_check
from service.intake.read_record import read_event, read_record
from service.making.stages import Stages, load_stages
from service.records.instants import format_moment
from service.records.receipts import Receipt
from service.records.record_keys import case_key, check_key, device_key, event_key
from service.storage.store import Store
from service.taking.submissions import Submission, Taken
from service.taking.take_case import take_case
from service.taking.take_check import take_check
from service.taking.take_device import take_device
from service.taking.take_events import SentEvent, take_events

GOAL = 1.2
PAIRS = 150
START = datetime(2031, 3, 2, 9, tzinfo=UTC)
RECEIPT = Receipt("bench", START)
CASE = {"patient": {"unidentified": True, "label": "bench"}, "population": "adult"}
KINDS = ("compressions_started", "pacing_started", "capture_assessed", "compressions_paused", "pacing_stopped")
"""One after the other, so that periods of both begin and end all the time."""


def sent_event(stages: Stages, case_id: str, number: int, **more: Any) -> SentEvent:
    """Return the event with this number of a case, one a second."""
    content = {
        "id": f"e-{number}",
        "kind": KINDS[number % len(KINDS)],
        "at": format_moment(START + timedelta(seconds=number)),
        "device": "D-1",
        **more,
    }
    submission = Submission(RECEIPT, event_key(case_id, content["id"]), b"", case_id)
    return SentEvent(submission, read_event(content, stages.vocabulary))


def open_case(store: Store, stages: Stages, case_id: str) -> None:
    """Open a case."""
    read = read_record(CASE, stages.vocabulary.case)
    submission = Submission(RECEIPT, case_key(case_id), b"", case_id)
    store.write_now(lambda tx: take_case(tx, stages, case_id, read, submission))


def post(store: Store, stages: Stages, case_id: str, sent: list[SentEvent]) -> float:
    """Have events taken; return how many seconds that took, the commit included."""
    began = time.perf_counter()
    outcomes = store.write_now(lambda tx: take_events(tx, stages, case_id, sent))
    took = time.perf_counter() - began
    assert all(isinstance(outcome, Taken) for outcome in outcomes), outcomes
    return took


def fill(store: Store, stages: Stages, case_id: str, events: int) -> None:
    """Open a case and post this many events into it."""
    open_case(store, stages, case_id)
    for first in range(0, events, 500):
        last = min(first + 500, events)
        post(store, stages, case_id, [sent_event(stages, case_id, number) for number in range(first, last)])


def single_events(store: Store, stages: Stages, most: int) -> Iterator[tuple[float, float]]:
    """Yield the seconds of a single event into a short case and of one into a long case, in turns."""
    fill(store, stages, "c-short", 100)
    fill(store, stages, "c-long", most)
    for number in range(PAIRS):
        short = post(store, stages, "c-short", [sent_event(stages, "c-short", 100 + number)])
        yield short, post(store, stages, "c-long", [sent_event(stages, "c-long", most + number)])


def arrays(store: Store, stages: Stages, most: int) -> Iterator[tuple[float, float]]:
    """Yield the seconds of an array of 500 into a short case and of one into a long case, in turns."""
    fill(store, stages, "c-long", most)
    for number in range(PAIRS // 10):
        case_id, first = f"c-short-{number}", most + 500 * number
        fill(store, stages, case_id, 500)
        short = post(store, stages, case_id, [sent_event(stages, case_id, one) for one in range(500, 1000)])
        more = [sent_event(stages, "c-long", one) for one in range(first, first + 500)]
        yield short, post(store, stages, "c-long", more)


class CheckedDevice:
    """A device that is checked every day, and times ten events of a new case in between."""

    def __init__(self, store: Store, stages: Stages, device_id: str) -> None:
        self._store, self._stages, self._id = store, stages, device_id
        read = read_record({"type": "defibrillator", "check_interval_hours": 24}, stages.vocabulary.device)
        registered = Submission(RECEIPT, device_key(device_id))
        store.write_now(lambda tx: take_device(tx, stages, device_id, read, registered))

    def check(self, day: int) -> float:
        """Post the check of a day and then the events of a case; return how many seconds the check took."""
        at = START + timedelta(days=day)
        device_at = at + timedelta(seconds=60 + day / 10)
        clock = {"device_at": format_moment(device_at), "reference_at": format_moment(at)}
        content = {"id": f"k-{day}", "checked_at": format_moment(at), "items": {"clock": clock}}
        read = read_check(content, self._stages.vocabulary)
        submission = Submission(RECEIPT, check_key(self._id, content["id"]))
        began = time.perf_counter()
        self._store.write_now(lambda tx: take_check(tx, self._stages, self._id, read, submission))
        took = time.perf_counter() - began
        case_id = f"c-{self._id}-{day}"
        open_case(self._store, self._stages, case_id)
        moments = [format_moment(device_at + timedelta(hours=1, seconds=number)) for number in range(10)]
        events = [
            sent_event(self._stages, case_id, number, at=moment, clock=self._id)
            for number, moment in enumerate(moments)
        ]
        post(self._store, self._stages, case_id, events)
        return took


def daily_checks(store: Store, stages: Stages, days: int) -> Iterator[tuple[float, float]]:
    """Yield the seconds of a check of a device with few days behind it and of one with many, in turns."""
    new, old = CheckedDevice(store, stages, "D-new"), CheckedDevice(store, stages, "D-old")
    for day in range(10):
        new.check(day)
    for day in range(days):
        old.check(day)
    for number in range(PAIRS // 3):
        yield new.check(10 + number), old.check(days + number)


Plan = Callable[[Store, Stages], Iterator[tuple[float, float]]]
"""Yields pairs of seconds: where little is there, and where much is."""


def measure(most: int = 5000, days: int = 400, say: Callable[[str], None] = print) -> dict[str, float]:
    """Return the ratios by name, each measured over a store of its own."""
    stages = load_stages("urn:example:resus")
    plans: dict[str, Plan] = {
        "single event": partial(single_events, most=most),
        "array of 500 events": partial(arrays, most=most),
        "daily check of a clock": partial(daily_checks, days=days),
    }
    ratios: dict[str, float] = {}
    for name, plan in plans.items():
        with tempfile.TemporaryDirectory(prefix="resus-growth-") as folder:
            store = Store(Path(folder) / "growth.sqlite")
            store.open()
            pairs = list(plan(store, stages))
            store.close()
        little, much = (statistics.median(pair[side] for pair in pairs) for side in (0, 1))
        ratios[name] = much / little
        costs = f"{1000 * little:8.2f} ms → {1000 * much:8.2f} ms"
        say(f"  {name:24} {costs}   ratio {ratios[name]:5.2f} (goal below {GOAL:g})")
    return ratios


if __name__ == "__main__":
    print("cost of one change where little is there and where much is, in turns, medians")
    measure()
