"""What a random history of changes leaves is what the final records make when all of them are made at once.

A change makes only the spans that it adjoins. If it forgot one, what is kept would differ from that.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.exact_json import read_json, write_json
from service.intake.read_record import read_event, read_record
from service.making.make_events import make_timeline
from service.making.stages import Stages, load_stages
from service.problems import Code, ServiceProblem, refusal_for
from service.reading.find_case import OpenCase, existing_case, open_case, timeline_of
from service.records.instants import format_moment, stamp
from service.records.receipts import Receipt
from service.records.record_keys import case_key, event_key
from service.storage.audit_entries import EntryFilter, filtered_entries
from service.storage.events import EARLIEST, LATEST, events_stamped
from service.storage.resources import resources_of_case
from service.storage.statements import Transaction
from service.storage.store import Store
from service.taking import remake_events
from service.taking.adjoining_spans import Change as SpanChange
from service.taking.change_event import correct_event, retract_event
from service.taking.make_changes import MadeChanges, make_changes
from service.taking.remake_events import go_on_remaking
from service.taking.submissions import Submission, Taken
from service.taking.take_case import take_case
from service.taking.take_events import SentEvent, take_events
from tests.support.stores import store_in

CASE = {
    "patient": {"unidentified": True, "label": "A"},
    "population": "adult",
    "started_at": "2031-03-02T10:00:00Z",
}
START = datetime(2031, 3, 2, 10, tzinfo=UTC)
RECEIPT = Receipt("test", START)
KINDS = (
    "compressions_started", "compressions_paused", "compressor_changed", "circulation_returned", "efforts_ended",
    "pacing_started", "pacing_changed", "capture_assessed", "pacing_stopped", "rhythm_assessed",
)  # fmt: skip


@cache
def _stages() -> Stages:
    return load_stages("urn:example:resus")


@dataclass(frozen=True)
class Change:
    """One step of a history: what is done to which event, and where the event is then."""

    what: str
    event: int
    kind: str
    second: int
    clock: bool


@contextmanager
def _opened_case(location: Path | str | None = None) -> Iterator[Store]:
    """Yield a store with an open case: at a location, or in a file that goes with it."""
    with tempfile.TemporaryDirectory() as folder:
        store = Store(location or Path(folder) / "store.sqlite")
        store.open()
        read = read_record(CASE, _stages().vocabulary.case)
        store.write_now(lambda tx: take_case(tx, _stages(), "c-1", read, Submission(RECEIPT, case_key("c-1"))))
        yield store
        store.close()


def _sent(change: Change, kind: str) -> SentEvent:
    content: dict[str, Any] = {
        "id": f"e-{change.event}",
        "kind": kind,
        "at": format_moment(START + timedelta(seconds=change.second)),
    }
    if change.clock:
        content["clock"] = "D-1"
    if kind == "compressions_started":
        content["method"] = "mechanical" if change.event % 2 else "manual"
    read = read_event(content, _stages().vocabulary)
    return SentEvent(Submission(RECEIPT, event_key("c-1", content["id"]), b"", "c-1", reason="test"), read)


def _compared(change: Change) -> SentEvent:
    """Return a comparison of the clock at some moment, of which the offset depends on the event's number."""
    at = START + timedelta(seconds=change.second)
    content = {
        "id": f"clock-{change.event}",
        "kind": "clock_compared",
        "at": format_moment(at),
        "device": "D-1",
        "device_at": format_moment(at + timedelta(seconds=7 * (change.event % 4) - 7)),
        "reference_at": format_moment(at),
    }
    read = read_event(content, _stages().vocabulary)
    return SentEvent(Submission(RECEIPT, event_key("c-1", content["id"]), b"", "c-1", reason="test"), read)


def _apply(store: Store, kinds: dict[str, str], change: Change) -> None:
    store.write_now(lambda tx: _take(tx, kinds, change))


def _take(tx: Transaction, kinds: dict[str, str], change: Change) -> None:
    sent = _compared(change) if change.what.startswith("clock") else _sent(change, change.kind)
    assert not isinstance(sent.read, ServiceProblem)
    event_id = sent.read.content["id"]
    if event_id not in kinds:
        kinds[event_id] = sent.read.content["kind"]
        (outcome,) = take_events(tx, _stages(), "c-1", [sent])
        assert isinstance(outcome, Taken), outcome
        return
    try:
        if change.what.endswith("retract"):
            retract_event(tx, _stages(), "c-1", event_id, sent.submission)
        else:
            again = sent if event_id.startswith("clock") else _sent(change, kinds[event_id])
            correct_event(tx, _stages(), "c-1", event_id, again)
    except ServiceProblem as refused:
        # An event that was entered in error cannot be corrected; nothing else may be refused.
        if [problem.code for problem in refused.problems] != [Code.RETRACTED_EVENT]:
            raise


def _kept(tx: Transaction) -> dict[str, Any]:
    """Return what is kept of events and spans; of spans that are gone, that they say so."""
    return {
        f"{one.resource_type}/{one.resource_id}": read_json(one.body)
        for one in resources_of_case(tx, "c-1")
        if one.record.startswith(("event:", "span:"))
    }


def _made_at_once(tx: Transaction) -> dict[str, Any]:
    case = existing_case(tx, "c-1")
    made = make_timeline(_stages(), open_case(tx, _stages(), "c-1").frame, timeline_of(tx, _stages(), case))
    return {one.made.reference: read_json(write_json(one.made.body)) for one in made}


def _hold_together(store: Store) -> None:
    kept, made = store.read_now(_kept), store.read_now(_made_at_once)
    assert {reference: kept[reference] for reference in made} == made
    assert {kept[reference]["status"] for reference in kept.keys() - made.keys()} <= {"entered-in-error"}
    placed, times = store.read_now(
        lambda tx: (
            events_stamped(tx, "c-1", None, EARLIEST, LATEST, most=1000),
            timeline_of(tx, _stages(), existing_case(tx, "c-1")).times,
        )
    )
    assert {one.event.id: one.order_at for one in placed} == {
        event_id: stamp(time.order_at) for event_id, time in times.items()
    }


def changes(whats: Sequence[str]) -> st.SearchStrategy[Change]:
    """Return steps of a history; few events and few seconds, so that they meet each other often."""
    return st.builds(
        Change,
        what=st.sampled_from(whats),
        event=st.integers(0, 7),
        kind=st.sampled_from(KINDS),
        second=st.integers(0, 40),
        clock=st.booleans(),
    )


HISTORIES = st.lists(changes(("post", "post", "correct", "retract", "clock", "clock retract")), max_size=24)
FAST = settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.too_slow])


@FAST
@given(HISTORIES)
def test_any_history_leaves_what_its_records_make_at_once(history: list[Change]) -> None:
    with _opened_case() as store:
        kinds: dict[str, str] = {}
        for change in history:
            _apply(store, kinds, change)
        _hold_together(store)


@FAST
@given(st.lists(changes(("post",)), max_size=24, unique_by=lambda one: one.event), st.integers(0, 6), HISTORIES)
def test_an_array_leaves_the_same_as_single_events(posted: list[Change], cut: int, before: list[Change]) -> None:
    with _opened_case() as store:
        kinds: dict[str, str] = {}
        for change in before[:cut]:
            _apply(store, kinds, change)
        sent = [_sent(change, change.kind) for change in posted if f"e-{change.event}" not in kinds]
        store.write_now(lambda tx: take_events(tx, _stages(), "c-1", sent))
        _hold_together(store)


@FAST
@given(HISTORIES, st.integers(1, 5))
def test_what_is_left_for_later_units_comes_out_the_same(history: list[Change], most: int) -> None:
    with _opened_case() as store, pytest.MonkeyPatch.context() as patch:
        patch.setattr(remake_events, "MOST_AT_ONCE", most)
        kinds: dict[str, str] = {}
        for change in history:
            _apply(store, kinds, change)
        while store.write_now(lambda tx: go_on_remaking(tx, _stages(), START)):
            pass
        _hold_together(store)


def _post(second: int, kind: str) -> Change:
    return Change("post", second, kind, second, clock=False)


@pytest.mark.parametrize(
    "history",
    [
        [
            _post(1, "compressions_started"),
            _post(5, "compressions_paused"),
            Change("post", 6, "compressions_started", 5, clock=False),
            _post(7, "compressor_changed"),
        ],
        [
            _post(1, "compressions_started"),
            _post(2, "pacing_started"),
            _post(7, "efforts_ended"),
            _post(5, "pacing_stopped"),
        ],
    ],
    ids=["a start at the time of the pause before it", "an end of two spans, of which one changes"],
)
def test_what_chance_meets_rarely_holds_too_in_every_database(history: list[Change], tmp_path: Path) -> None:
    with _opened_case(store_in(tmp_path)) as store:
        kinds: dict[str, str] = {}
        for change in history:
            _apply(store, kinds, change)
        _hold_together(store)


def test_many_events_of_a_clock_are_left_for_later_units_in_every_database(tmp_path: Path) -> None:
    with _opened_case(store_in(tmp_path)) as store, pytest.MonkeyPatch.context() as patch:
        patch.setattr(remake_events, "MOST_AT_ONCE", 2)
        kinds: dict[str, str] = {}
        steps = [Change("post", number, KINDS[number % 4], number // 2, clock=True) for number in range(7)]
        for change in [*steps, Change("clock", 2, "remark", 30, clock=False)]:
            _apply(store, kinds, change)
        units = 0
        while store.write_now(lambda tx: go_on_remaking(tx, _stages(), START)):
            units += 1
        assert units > 1
        _hold_together(store)


def test_an_event_that_cannot_be_made_again_stays_as_it_is_and_keeps_nothing_out(tmp_path: Path) -> None:
    with _opened_case(store_in(tmp_path)) as store, pytest.MonkeyPatch.context() as patch:
        kinds: dict[str, str] = {}
        for number in (1, 2):
            change = Change("post", number, "rhythm_assessed", number, clock=True)
            _apply(store, kinds, change)
        before = store.read_now(_kept)
        broken = event_key("c-1", "e-1")

        def refusing(case: OpenCase, changes: Sequence[SpanChange]) -> MadeChanges:
            if broken in [event_key("c-1", one.event.id) for one in changes]:
                raise refusal_for(Code.INVALID_RESOURCE, "", "made up")
            return make_changes(case, changes)

        patch.setattr(remake_events, "make_changes", refusing)
        _apply(store, kinds, Change("clock", 2, "remark", 30, clock=False))
        after = store.read_now(_kept)
        changed = {reference for reference in before if before[reference] != after[reference]}
        assert changed
        entries = store.read_now(lambda tx: filtered_entries(tx, EntryFilter(action="refused"), 0, 10))
        assert [entry.subject for entry in entries] == [broken]
        assert broken not in {
            one.record for one in store.read_now(lambda tx: resources_of_case(tx, "c-1")) if one.version > 1
        }
