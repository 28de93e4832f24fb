"""The goals of speed as checks; on a machine that does something else beside, they say more about that."""

from __future__ import annotations

import pytest

from tests.bench import durable_ingest, map_one_event

pytestmark = pytest.mark.bench


def test_mapping_and_checking_is_ten_times_as_fast_as_the_plain_way() -> None:
    measured = map_one_event.measure(rounds=11)
    assert measured.ratio >= map_one_event.GOAL, measured


def test_durable_ingest_keeps_most_of_the_speed_that_the_application_has_without_its_store() -> None:
    durable, without = durable_ingest.measure(runs=3, seconds=4)
    assert durable_ingest.ratio_of(durable, without) >= durable_ingest.GOAL, (durable, without)
