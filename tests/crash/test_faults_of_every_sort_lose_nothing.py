"""Processes, PostgreSQL, the FHIR server, network, disk and clocks fail; nothing is lost and nothing doubled."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.crash.long_fault_run import play
from tests.support.fault_site import Setting

SEED = int(os.environ.get("CRASH_SEED", "20310302"))


@pytest.fixture
def folder() -> Iterator[Path]:
    # PostgreSQL runs as another user, and pytest closes the folder above its own to others at every start.
    made = Path(tempfile.mkdtemp(prefix="resus-faults-"))
    made.chmod(0o755)
    yield made
    shutil.rmtree(made)


@pytest.mark.crash
def test_sixty_faults_of_every_sort_lose_nothing_and_double_nothing(folder: Path) -> None:
    setting = Setting(
        "postgresql",
        SEED,
        faults=60,
        minutes=10,
        folder=folder / "run",
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
