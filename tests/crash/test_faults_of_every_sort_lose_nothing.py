"""Processes, PostgreSQL, the FHIR server, network, disk and clocks fail; nothing is lost and nothing doubled."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from tests.crash.long_fault_run import play
from tests.support.fault_site import Setting

SEED = int(os.environ.get("CRASH_SEED", "20310302"))


@pytest.mark.crash
def test_sixty_faults_of_every_sort_lose_nothing_and_double_nothing(tmp_path: Path) -> None:
    # PostgreSQL runs as another user, which has to reach its data below pytest's folder.
    for folder in (tmp_path, *tmp_path.parents[:2]):
        folder.chmod(0o755)
    setting = Setting(
        "postgresql",
        SEED,
        faults=60,
        minutes=10,
        folder=tmp_path / "run",
        clients=4,
        pause_seconds=(0.2, 1.0),
        longest_jumps=(20, 10_800),
    )
    report = play(setting)
    print(report.markdown())
    assert report.faults >= 60
    assert len(report.other_faults) == 11
    assert len(report.http_faults) >= 8
    assert report.judged.resources > 200
    assert report.judged.handovers > 0
    assert "entries: as written" in report.verified
