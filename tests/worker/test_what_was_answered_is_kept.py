"""An attempt is settled together with the start of the next, and also where no next one can be started."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import pytest

from service.outbox.batch import Batch
from service.outbox.choose_batch import NothingNow, SendingRules, choose_batch
from service.settings import Strategy
from service.storage.statements import Transaction
from service.worker import serve_lane
from tests.support.delivering_service import post_demo, quick_settings, running_service, wait_until
from tests.support.faulty_fhir_server import Site, faulty_server


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    with faulty_server(tmp_path / "server.sqlite") as opened:
        yield opened


def test_what_was_answered_is_kept_though_the_next_batch_cannot_be_chosen(
    site: Site, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    chosen: list[str] = []

    def choose_one_of_each_lane(
        tx: Transaction, lane: str, now: datetime, rules: SendingRules, strategy: Strategy
    ) -> Batch | NothingNow:
        if chosen.count(lane):
            raise RuntimeError("something is wrong with what comes next")
        chosen.append(lane)
        return choose_batch(tx, lane, now, rules, strategy)

    monkeypatch.setattr(serve_lane, "choose_batch", choose_one_of_each_lane)
    with running_service(quick_settings(tmp_path / "s.sqlite", site.base)) as client:
        post_demo(client)
        wait_until(lambda: "case:c-demo" in chosen and client.deliveries("delivered") != [], 10)
        outcomes = [entry for entry in client.audit() if entry["action"] == "outcome"]
        assert {entry["outcome"] for entry in outcomes} == {"arrived"}
        monkeypatch.undo()
        client.until_nothing_waits()
        attempts = [entry for entry in client.audit() if entry["action"] == "attempt"]
        outcomes = [entry for entry in client.audit() if entry["action"] == "outcome"]
    assert len(site.server.posts) == len(set(site.server.posts)) == len(attempts) == len(outcomes)
