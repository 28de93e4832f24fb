"""Measures how the cost of one change grows with what is there already: python -m tests.bench.growth.

Costs are to follow the change, not the size. Three things are posted over one store, each as its route does it,
and timed when little is there and when much is: single events of compressions and of pacing, into one case of up to
5,000 events; arrays of 500 of them, into one case; and a daily check of a device that compares its clock and had
timed a case on each of the days before, up to 400 days. The ratios are those of medians in one run.
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
from service.taking.submissions import Refusal, Submission, Taken, take_or_refuse
from service.taking.take_case import take_case
from service.taking.take_check import take_check
from service.taking.take_device import take_device
from service.taking.take_events import SentEvent, take_events

GOAL = 1.2
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


def single_events(store: Store, stages: Stages, most: int) -> Iterator[tuple[int, float]]:
    """Yield number and seconds of each single event that is posted into one case."""
    open_case(store, stages, "c-single")
    for number in range(most):
        yield number, post(store, stages, "c-single", [sent_event(stages, "c-single", number)])


def arrays(store: Store, stages: Stages, most: int) -> Iterator[tuple[int, float]]:
    """Yield, for each array of 500 events into one case, how many were there before, and its seconds an event."""
    open_case(store, stages, "c-arrays")
    for first in range(0, most, 500):
        sent = [sent_event(stages, "c-arrays", number) for number in range(first, first + 500)]
        yield first, post(store, stages, "c-arrays", sent) / 500


def daily_checks(store: Store, stages: Stages, days: int) -> Iterator[tuple[int, float]]:
    """Yield day and seconds of each daily check; the device's clock times ten events of a new case every day."""
    device = read_record({"type": "defibrillator", "check_interval_hours": 24}, stages.vocabulary.device)
    registered = Submission(RECEIPT, device_key("D-2"))
    store.write_now(lambda tx: take_device(tx, stages, "D-2", device, registered))
    for day in range(days):
        at = START + timedelta(days=day)
        device_at = at + timedelta(seconds=60 + day / 10)
        clock = {"device_at": format_moment(device_at), "reference_at": format_moment(at)}
        check = {"id": f"k-{day}", "checked_at": format_moment(at), "items": {"clock": clock}}
        read = read_check(check, stages.vocabulary)
        submission = Submission(RECEIPT, check_key("D-2", check["id"]))
        began = time.perf_counter()
        outcome = store.write_now(
            lambda tx, read=read, submission=submission: take_or_refuse(  # type: ignore[misc]  # mypy cannot type a lambda with defaults.
                tx, submission, lambda: take_check(tx, stages, "D-2", read, submission)
            )
        )
        yield day, time.perf_counter() - began
        assert not isinstance(outcome, Refusal), outcome
        case_id = f"c-day-{day}"
        open_case(store, stages, case_id)
        moments = [format_moment(device_at + timedelta(hours=1, seconds=number)) for number in range(10)]
        events = [sent_event(stages, case_id, number, at=at, clock="D-2") for number, at in enumerate(moments)]
        post(store, stages, case_id, events)


Plan = tuple[str, Callable[[Store, Stages], Iterator[tuple[int, float]]], range, range]
"""What is timed: its name, how, which numbers of it are measured where little is there, and which where much is."""


def compare(plan: Plan, store: Store, stages: Stages, say: Callable[[str], None]) -> float:
    """Return the ratio of the median costs where much is there and where little is."""
    name, timed, small, large = plan
    costs = dict(timed(store, stages))
    few, many = (statistics.median(costs[number] for number in some if number in costs) for some in (small, large))
    ratio = many / few
    say(f"  {name:26} {1000 * few:8.2f} ms → {1000 * many:8.2f} ms   ratio {ratio:5.2f} (goal below {GOAL:g})")
    return ratio


def measure(most: int = 5000, days: int = 400, say: Callable[[str], None] = print) -> dict[str, float]:
    """Return the ratios by name, each measured over a store of its own."""
    stages = load_stages("urn:example:resus")
    plans: list[Plan] = [
        ("single event", partial(single_events, most=most), range(100, 300), range(most - 200, most)),
        ("event of an array of 500", partial(arrays, most=most), range(500, 1500), range(most - 1000, most)),
        ("daily check of a clock", partial(daily_checks, days=days), range(10, 40), range(days - 30, days)),
    ]
    ratios: dict[str, float] = {}
    for plan in plans:
        with tempfile.TemporaryDirectory(prefix="resus-growth-") as folder:
            store = Store(Path(folder) / "growth.sqlite")
            store.open()
            try:
                ratios[plan[0]] = compare(plan, store, stages, say)
            finally:
                store.close()
    return ratios


if __name__ == "__main__":
    print("cost of one change where little is there and where much is, medians")
    measure()
