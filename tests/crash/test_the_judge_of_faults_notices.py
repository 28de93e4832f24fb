"""The judge of a fault run notices two workers at one lane, and reads a record that a kill cut off."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.support.fault_site import Outage
from tests.support.judge_fault_run import assert_one_worker_at_a_time
from tests.support.random_fhir_server import Sending, read_record

FIRST, SECOND = "deliver-1", "deliver-2"


def _sending(caller: str, began: float, ended: float) -> Sending:
    return Sending(began, ended, caller, "hash", "")


def test_two_workers_at_once_in_a_lane_are_noticed() -> None:
    lane = [_sending(FIRST, 100.0, 100.5), _sending(SECOND, 100.2, 100.3)]
    with pytest.raises(AssertionError, match="two workers at once in case:c-1"):
        assert_one_worker_at_a_time([], {"case:c-1": lane})


def test_two_workers_one_after_the_other_are_in_order() -> None:
    lane = [_sending(FIRST, 100.0, 100.5), _sending(SECOND, 100.6, 100.7), _sending(FIRST, 100.8, 100.9)]
    assert assert_one_worker_at_a_time([], {"case:c-1": lane}) == 0


def test_an_outage_explains_two_workers_at_once_only_near_its_time_and_for_its_worker() -> None:
    lane = {"case:c-1": [_sending(FIRST, 100.0, 100.5), _sending(SECOND, 100.2, 100.3)]}
    assert assert_one_worker_at_a_time([Outage(90.0, 101.0, FIRST)], lane) == 1
    for other in (Outage(90.0, 101.0, "serve-1"), Outage(10.0, 20.0, FIRST), Outage(150.0, 160.0, FIRST)):
        with pytest.raises(AssertionError, match="two workers at once"):
            assert_one_worker_at_a_time([other], lane)


def test_a_record_counts_every_fault_and_leaves_out_a_line_that_was_cut_off(tmp_path: Path) -> None:
    lines = (
        "1.0\tstart",
        "2.0\tbundle\t1\t127.0.1.1\tabc\t",
        "2.5\tdone\t1",
        "3.0\tbundle\t2\t127.0.1.2\tdef\t409",
        "4.0\tbundle\t3\t127.0.1.1\tghi\t",
        "6.0\tstart",
        "7.0\tmetadata\t1\tmetadata: 503",
        "8.0\tbund",
    )
    file = tmp_path / "record.tsv"
    file.write_text("\n".join(lines), encoding="utf-8")
    record = read_record(file)
    assert record.starts == 2
    assert record.faults == {"409": 1, "metadata: 503": 1}
    # The third was under way when the server was killed, so it ended at the next start at the latest.
    assert [(sending.began, sending.ended) for sending in record.sendings] == [(2.0, 2.5), (3.0, 3.0), (4.0, 6.0)]
