"""A device check amounts to the worst that any of its items says."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.readiness.judge_check import NOTHING_CHECKED, judge_check
from service.records.readiness import CheckVerdict, Reason
from service.vocabulary.record_shapes import RecordShape
from tests.readiness.small_check_items import read_small_check_items

CHECKED_AT = "2031-03-02T07:00:00+01:00"

Items = Mapping[str, Mapping[str, Any]]


@pytest.fixture(scope="module")
def shapes(tmp_path_factory: pytest.TempPathFactory) -> Mapping[str, RecordShape]:
    return read_small_check_items(tmp_path_factory.mktemp("check_items"))


def _reasons(items: Items, shapes: Mapping[str, RecordShape], checked_at: str = CHECKED_AT) -> list[str]:
    return [reason.word for reason in judge_check(items, shapes, checked_at).reasons]


def test_a_device_without_a_fault_is_ready_and_needs_no_reason(shapes: Mapping[str, RecordShape]) -> None:
    items: Items = {"self_test": {"result": "passed"}, "battery": {"charge_percent": 96, "spare": True}}
    assert judge_check(items, shapes, CHECKED_AT) == CheckVerdict("ready", ())


def test_a_fault_that_leaves_the_device_usable_is_said_with_its_item(shapes: Mapping[str, RecordShape]) -> None:
    verdict = judge_check({"battery": {"charge_percent": 96, "spare": False}}, shapes, CHECKED_AT)
    assert verdict == CheckVerdict("ready_with_fault", (Reason("no_spare", "battery", "No spare."),))


def test_the_worst_judgement_wins_and_the_others_are_still_said(shapes: Mapping[str, RecordShape]) -> None:
    items: Items = {"battery": {"charge_percent": 10, "spare": False}, "self_test": {"result": "passed"}}
    assert judge_check(items, shapes, CHECKED_AT).outcome == "not_ready"
    assert _reasons(items, shapes) == ["battery_flat", "no_spare"]


def test_a_later_smaller_fault_does_not_soften_an_earlier_grave_one(shapes: Mapping[str, RecordShape]) -> None:
    items: Items = {"self_test": {"result": "failed"}, "battery": {"spare": False}}
    assert judge_check(items, shapes, CHECKED_AT).outcome == "not_ready"
    assert _reasons(items, shapes) == ["self_test_failed", "no_spare"]


def test_a_check_of_nothing_leaves_the_device_not_ready(shapes: Mapping[str, RecordShape]) -> None:
    assert judge_check({}, shapes, CHECKED_AT) == CheckVerdict("not_ready", (NOTHING_CHECKED,))


def test_electrodes_expire_after_their_date_by_the_calendar_of_the_place(
    shapes: Mapping[str, RecordShape],
) -> None:
    items = {"electrodes": {"expiry": "2031-03-01"}}
    assert _reasons(items, shapes, "2031-03-01T23:59:59+01:00") == []
    # In UTC it is still the first of March.
    assert _reasons(items, shapes, "2031-03-02T00:30:00+01:00") == ["expired"]


@pytest.mark.parametrize(
    ("device", "reasons"),
    [
        ("07:01:00", []),
        ("07:01:01", ["clock_wrong"]),
        ("06:59:00", []),
        ("06:58:59", ["clock_wrong"]),
    ],
)
def test_a_clock_is_judged_by_its_offset_to_either_side(
    shapes: Mapping[str, RecordShape], device: str, reasons: list[str]
) -> None:
    clock = {"device_at": f"2031-03-02T{device}+01:00", "reference_at": CHECKED_AT}
    assert _reasons({"clock": clock}, shapes) == reasons


def test_half_a_comparison_of_clocks_is_not_judged(shapes: Mapping[str, RecordShape]) -> None:
    assert _reasons({"clock": {"device_at": CHECKED_AT}}, shapes) == []


_ITEMS = st.fixed_dictionaries(
    {},
    optional={
        "self_test": st.fixed_dictionaries({"result": st.sampled_from(["passed", "failed"])}),
        "battery": st.fixed_dictionaries({"charge_percent": st.integers(0, 100), "spare": st.booleans()}),
        "electrodes": st.fixed_dictionaries({"expiry": st.dates().map(str)}),
    },
)


@given(items=_ITEMS)
def test_a_device_is_ready_exactly_where_nothing_speaks_against_it(
    shapes: Mapping[str, RecordShape], items: dict[str, dict[str, Any]]
) -> None:
    verdict = judge_check(items, shapes, CHECKED_AT)
    assert (verdict.outcome == "ready") == (not verdict.reasons)
    # An item more never makes a device readier.
    severity = ["ready", "ready_with_fault", "not_ready"]
    if items:
        more = {**items, "self_test": {"result": "failed"}}
        assert severity.index(judge_check(more, shapes, CHECKED_AT).outcome) >= severity.index(verdict.outcome)
