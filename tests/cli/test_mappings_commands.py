"""`resus-fhir mappings check` and `explain` say what is wrong, what changes, and which line made what."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from service.cli import app
from tests.support.overlays import SHIPPED_OVERLAY, write_overlay

Run = Callable[..., Result]


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Run:
    """Run a command in an empty folder, with the overlay that is named."""
    monkeypatch.chdir(tmp_path)

    def invoke(*arguments: str, overlay: Path | None = None) -> Result:
        environment = {"RESUS_MAPPINGS": str(overlay) if overlay else None}
        return CliRunner().invoke(app, ["mappings", *arguments], env=environment)

    return invoke


def test_check_without_an_overlay_counts_and_changes_nothing(run: Run) -> None:
    result = run("check", "--golden")
    assert result.exit_code == 0
    assert "no fault" in result.stdout
    assert "changes" not in result.stdout
    assert result.stdout.splitlines()[-1].startswith("resources of the examples: 0 changed, ")


def test_check_lists_every_change_with_its_line(run: Run) -> None:
    result = run("check", overlay=SHIPPED_OVERLAY)
    assert result.exit_code == 0
    assert (
        "rhythm.ventricular_fibrillation: + coding HOSPITAL RHY-VF  (overlay/codes/rhythm.yaml:5)" in result.stdout
    )
    assert "vital_signs#set: dropped  (overlay/events/vital_signs.yaml:3)" in result.stdout
    changes = [line for line in result.stdout.splitlines() if "  (overlay/" in line]
    assert f"makes {len(changes)} changes:" in result.stdout


def test_check_golden_shows_the_lines_that_change_and_no_other_resource(run: Run) -> None:
    result = run("check", "--golden", overlay=SHIPPED_OVERLAY)
    assert result.exit_code == 0
    lines = result.stdout.splitlines()
    assert '+        "code": "RHY-VF",' in lines
    assert '+      "https://fhir.hospital.example/StructureDefinition/shock"' in lines
    assert "+++ /dev/null" in lines
    heads = [line for line in lines if line.startswith("--- ")]
    assert lines[-1].startswith(f"resources of the examples: {len(heads)} changed, ")
    assert not any("medication_given.yaml" in line for line in lines)


def test_check_tells_every_fault_and_ends_with_status_1(tmp_path: Path, run: Run) -> None:
    overlay = write_overlay(
        tmp_path,
        {
            "events/remark.yaml": "resources:\n  note: {drop: true}\n",
            "codes/rhythm.yaml": "concepts:\n  flat: {add_codings: []}\n",
        },
    )
    result = run("check", overlay=overlay)
    assert result.exit_code == 1
    assert f"{overlay}/events/remark.yaml:2: there is no resource of the role 'note' here" in result.stderr
    assert f"{overlay}/codes/rhythm.yaml:2: there is no concept of the table 'rhythm': 'flat'" in result.stderr
    assert result.stderr.splitlines()[-1] == "2 faults"


def test_explain_prints_path_source_and_line(run: Run) -> None:
    result = run("explain", "rhythm_assessed", "--field", "pulse_present")
    assert result.exit_code == 0
    assert [line.split() for line in result.stdout.splitlines()] == [
        ["Observation", "events/rhythm_assessed.yaml#rhythm"],
        ["Observation.component[0].valueBoolean", "pulse_present", "events/rhythm_assessed.yaml:38"],
    ]


@pytest.mark.parametrize(
    "kind", ["shock_delivered", "battery", "compression_run", "resuscitation", "case", "device", "check"]
)
def test_explain_knows_every_sort_of_record(kind: str, run: Run) -> None:
    result = run("explain", kind)
    assert result.exit_code == 0
    assert f"/{kind}.yaml#" in result.stdout
    assert "resourceType" in result.stdout


def test_explain_takes_an_event_of_ones_own(tmp_path: Path, run: Run) -> None:
    file = tmp_path / "event.json"
    event = {"id": "e-9", "kind": "rhythm_assessed", "at": "2031-03-02T10:00:00+01:00"}
    file.write_text(json.dumps({**event, "rhythm": "asystole"}), encoding="utf-8")
    result = run("explain", "rhythm_assessed", "--event", str(file), "--field", "rhythm")
    assert "code rhythm.asystole" in result.stdout
    assert "rhythm.shockable" in result.stdout
    file.write_text(json.dumps({**event, "rythm": "asystole"}), encoding="utf-8")
    refused = run("explain", "rhythm_assessed", "--event", str(file))
    assert refused.exit_code == 2
    assert "/rythm" in refused.stderr


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["coffee_break"], "There is no kind 'coffee_break'"),
        (["remark", "--field", "sugar"], "remark has no field 'sugar'"),
    ],
)
def test_explain_says_what_there_is_instead(arguments: list[str], message: str, run: Run) -> None:
    result = run("explain", *arguments)
    assert result.exit_code == 2
    assert message in result.stderr
    assert "Known: " in result.stderr
