"""Plausibility warns of what is unusual and refuses nothing; each shipped rule speaks when it should."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from functools import cache
from typing import Any

import pytest

from service.data_folders import data_folder
from service.making.stages import Stages, load_stages
from service.plausibility.find_implausible import find_implausible
from service.plausibility.load_plausibility import load_plausibility
from service.problems import Kind, WrongMapping
from service.records.events import RecordedEvent
from tests.support.made_events import timeline

ADULT = {"population": "adult"}
CHILD = {"population": "child", "weight_kilograms": 12}


@cache
def _stages() -> Stages:
    return load_stages("urn:example:tests")


def _event(kind: str, at: str, **fields: Any) -> RecordedEvent:
    content = {"id": f"{kind}-{at}", "kind": kind, "at": f"2031-03-02T{at}+01:00", **fields}
    return RecordedEvent(
        "c",
        content["id"],
        kind,
        1,
        retracted=False,
        content=content,
        received_at=datetime(2031, 3, 2, 12, tzinfo=UTC),
    )


def _rules_met(case: dict[str, Any], events: Sequence[RecordedEvent]) -> list[str | None]:
    """Return the rules that the last of the events meets."""
    warnings = find_implausible(_stages().plausibility, case, timeline(events)).get(events[-1].id, [])
    assert all(warning.code.facts.kind is Kind.IMPLAUSIBLE for warning in warnings)
    assert all(warning.expected and warning.pointer.startswith("/") for warning in warnings)
    return [warning.rule for warning in warnings]


def _shock(**fields: Any) -> RecordedEvent:
    return _event("shock_delivered", "10:05:00", **fields)


PACING = _event("pacing_started", "10:00:00", mode="demand")
FIXED = _event("pacing_started", "10:00:00", mode="fixed")
STOPPED = _event("pacing_stopped", "10:04:00")
ECG = _event("electrodes_applied", "09:59:00", electrodes="ecg_three_lead")
ECG_OF_FIVE = _event("electrodes_applied", "09:59:00", electrodes="ecg_five_lead")
PADS = _event("electrodes_applied", "09:59:00", electrodes="pads")

MET = [
    ("automated-mode-with-paddles", ADULT, [_shock(operating_mode="automated", electrodes="paddles")]),
    ("adult-biphasic-energy", ADULT, [_shock(waveform="biphasic", energy_selected_joules=119)]),
    ("delivered-far-from-selected", CHILD, [_shock(energy_selected_joules=200, energy_delivered_joules=40)]),
    (
        "markers-before-synchronised-shock",
        ADULT,
        [_event("cardioversion_delivered", "10:05:00", markers_on_r_wave=False)],
    ),
    ("shock-while-pacing", ADULT, [PACING, _shock()]),
    ("demand-pacing-without-ecg-electrodes", ADULT, [PADS, PACING]),
    (
        "pulse-with-a-rhythm-that-gives-none",
        ADULT,
        [_event("rhythm_assessed", "10:01:00", rhythm="ventricular_fibrillation", pulse_present=True)],
    ),
    (
        "pulse-with-a-rhythm-that-gives-none",
        ADULT,
        [_event("rhythm_assessed", "10:01:00", rhythm="asystole", pulse_present=True)],
    ),
    (
        "shock-for-a-rhythm-with-circulation",
        ADULT,
        [_event("circulation_returned", "10:04:00"), _shock()],
    ),
    (
        "weight-based-dose-without-weight",
        ADULT,
        [_event("medication_given", "10:05:00", weight_based=True)],
    ),
    (
        "epinephrine-above-the-largest-dose-for-a-child",
        CHILD,
        [
            _event(
                "medication_given",
                "10:05:00",
                agent="epinephrine",
                dose_value=1.2,
                dose_unit="mg",
                route="intravenous",
            )
        ],
    ),
]


@pytest.mark.parametrize(("rule", "case", "events"), MET, ids=[met[0] for met in MET])
def test_a_rule_speaks_of_what_it_is_for(rule: str, case: dict[str, Any], events: list[RecordedEvent]) -> None:
    assert _rules_met(case, events) == [rule]


def test_every_shipped_rule_is_proven_to_speak() -> None:
    assert {rule.name for rule in _stages().plausibility} == {met[0] for met in MET}


USUAL = [
    (ADULT, [_shock(waveform="biphasic", energy_selected_joules=200, energy_delivered_joules=187)]),
    (ADULT, [_shock(waveform="biphasic", energy_selected_joules=120)]),
    (ADULT, [_shock(waveform="biphasic", energy_selected_joules=175)]),
    (ADULT, [_shock(waveform="biphasic", energy_selected_joules=360)]),
    (ADULT, [_shock(waveform="biphasic", energy_selected_joules=30, electrodes="internal")]),
    (ADULT, [_shock(operating_mode="manual", electrodes="paddles", paddle_force_kilograms=8)]),
    (CHILD, [_shock(waveform="biphasic", energy_selected_joules=48)]),
    (ADULT, [PACING, STOPPED, _shock()]),
    (ADULT, [ECG, PACING]),
    (ADULT, [ECG_OF_FIVE, PACING]),
    (ADULT, [FIXED]),
    (ADULT, [_event("pacing_started", "10:00:00", rate_per_minute=90, output_milliamperes=150)]),
    (ADULT, [_event("pacing_changed", "10:01:00", output_milliamperes=200)]),
    (ADULT, [_event("rhythm_assessed", "10:01:00", rhythm="ventricular_fibrillation", pulse_present=False)]),
    (ADULT, [_event("rhythm_assessed", "10:01:00", rhythm="asystole")]),
    (ADULT, [_event("rhythm_assessed", "10:01:00", rhythm="sinus_rhythm", pulse_present=True)]),
    (ADULT, [_event("circulation_returned", "10:01:00"), _event("circulation_lost", "10:02:00"), _shock()]),
    (ADULT, [_event("cardioversion_delivered", "10:05:00", markers_on_r_wave=True)]),
    (ADULT, [_event("cardioversion_delivered", "10:05:00")]),
    (CHILD, [_event("medication_given", "10:05:00", agent="epinephrine", dose_value=0.12, dose_unit="mg")]),
]


@pytest.mark.parametrize(("case", "events"), USUAL)
def test_what_is_usual_or_merely_missing_gives_no_warning(
    case: dict[str, Any], events: list[RecordedEvent]
) -> None:
    assert _rules_met(case, events) == []


def test_the_order_of_arrival_does_not_matter_only_the_order_in_time() -> None:
    later_pacing = _event("pacing_started", "10:09:00")
    assert _rules_met(ADULT, [later_pacing, _shock()]) == []


def test_a_rule_that_asks_for_an_unknown_field_stops_the_start_with_file_and_line(tmp_path: Any) -> None:
    file = tmp_path / "plausibility.yaml"
    file.write_text(
        "rules:\n"
        "  - rule: r\n"
        "    kinds: [shock_delivered]\n"
        "    when: {present: colour}\n"
        "    field: at\n"
        "    says: x\n"
        "    usual: y\n"
        "    source: z\n"
    )
    with pytest.raises(WrongMapping) as wrong:
        load_plausibility(file, _stages().vocabulary)
    assert str(wrong.value) == f"{file}:4: there is no field or fact colour for these kinds"


def test_every_rule_names_its_source() -> None:
    assert all(rule.source for rule in _stages().plausibility)
    assert (data_folder("mappings") / "plausibility.yaml").is_file()
