"""The service is killed again and again while a client posts; what it acknowledged stands, once, in order."""

from __future__ import annotations

import os
import random
from itertools import pairwise
from pathlib import Path

import pytest

from tests.support.compare_arrival import assert_arrived_once_under_our_ids, made_by_service
from tests.support.delivering_service import Client
from tests.support.killed_service import CORRECTIONS, Acknowledged, ServiceProcess, kill_often, notes_in_history

SEED = int(os.environ.get("CRASH_SEED", "20310302"))


def assert_all_stands(service: ServiceProcess, client: Client, acknowledged: Acknowledged) -> int:
    """Assert that everything acknowledged is in its case and at the endpoint, once; return how many resources."""
    endpoint = f"{service.base}/fhir"
    client.until_nothing_waits(120)
    assert client.deliveries("held") == []
    for case_id, versions in acknowledged.versions.items():
        entries = client.call("GET", f"/v1/cases/{case_id}/timeline")["entries"]
        assert {entry["event_id"]: entry["version"] for entry in entries} == versions, case_id
    assert acknowledged.resources <= set(made_by_service(client, acknowledged.versions))
    count = assert_arrived_once_under_our_ids(client, endpoint, acknowledged.versions)
    assert acknowledged.corrected
    order = ["", *CORRECTIONS]
    for reference in sorted(acknowledged.corrected):
        # A version that was sent twice stands there twice in a row; never an older one after a newer one.
        places = [order.index(note) for note in notes_in_history(client, endpoint, reference)]
        assert all(before <= after for before, after in pairwise(places)), (reference, places)
        assert places[-1] == len(CORRECTIONS)
    return count


@pytest.mark.crash
def test_fifty_kills_lose_nothing_and_double_nothing(tmp_path: Path) -> None:
    _kill_and_judge(tmp_path, 50)


def _kill_and_judge(folder: Path, kills: int) -> None:
    """Play, judge, and print the one-line report."""
    service = ServiceProcess(folder)
    print(f"\nseed {SEED}, {kills} kills")
    try:
        acknowledged = kill_often(service, kills, random.Random(SEED))  # noqa: S311 - moments, not secrets.
        client = Client(service.base)
        resources = assert_all_stands(service, client, acknowledged)
        client.http.close()
    finally:
        service.kill()
    verified = service.run_command("audit", "verify")
    assert verified.returncode == 0, verified.stdout + verified.stderr
    print(
        f"seed {SEED}: {kills} kills, {acknowledged.events} events acknowledged"
        f" ({acknowledged.repeats} calls repeated), {resources} resources at the endpoint, 0 duplicates found;"
        f" {verified.stdout.strip()}"
    )
