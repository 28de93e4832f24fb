"""Judges what a fault run has left: nothing acknowledged is lost, nothing stands twice, and all of it in order."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

from service.exact_json import read_json
from tests.support.compare_arrival import assert_holds_exactly, made_by_service
from tests.support.delivering_service import Client
from tests.support.fault_site import LEASE_SECONDS, Outage, Site
from tests.support.killed_service import CORRECTIONS, Acknowledged, notes_in_history
from tests.support.random_fhir_server import Sending
from tests.support.stores import rows


@dataclass(frozen=True, slots=True)
class Judged:
    """What was counted while judging."""

    resources: int
    corrected: int
    """Resources whose history was read."""
    sendings: int
    handovers: int
    """How often a lane went from one worker to another."""
    overlaps: int
    """How often two workers were at one lane at once, each time after an outage of one of them had begun."""
    unsettled: int
    """Attempts without an outcome in the log, each followed by another: whoever made them was killed, stopped or
    without the store."""


def judge(site: Site, client: Client, said: Acknowledged, sendings: Sequence[Sending]) -> Judged:
    """Assert all that must hold; nothing waits and nothing is held any more."""
    for case_id, versions in said.versions.items():
        entries = client.call("GET", f"/v1/cases/{case_id}/timeline")["entries"]
        assert {entry["event_id"]: entry["version"] for entry in entries} == versions, case_id
    made = {f"{kind}/{number}": read_json(bytes(body)) for kind, number, body in rows(
        site.store, "SELECT resource_type, resource_id, body FROM resources"
    )}  # fmt: skip
    assert said.resources <= made.keys()
    assert made_by_service(client, said.versions).items() <= made.items()
    resources = assert_holds_exactly(client.http, site.fhir_base, made)
    _assert_histories_go_forward(client, site.fhir_base, said.corrected)
    lanes, unsettled = _lanes_of_attempts(client.audit("&action=attempt") + client.audit("&action=outcome"))
    by_lane: dict[str, list[Sending]] = defaultdict(list)
    for sending in sendings:
        # A Bundle without an attempt in the log would be one that was sent before it was kept.
        named = replace(sending, caller=site.caller_of(sending.caller))
        by_lane[lanes[sending.body_hash]].append(named)
    handovers = sum(first.caller != second.caller for lane in by_lane.values() for first, second in pairwise(lane))
    overlaps = assert_one_worker_at_a_time(site.outages, by_lane)
    return Judged(resources, len(said.corrected), len(sendings), handovers, overlaps, unsettled)


def _assert_histories_go_forward(client: Client, base: str, references: Iterable[str]) -> None:
    order = ["", *CORRECTIONS]
    for reference in sorted(references):
        # A version that was sent twice stands there twice in a row; never an older one after a newer one.
        places = [order.index(note) for note in notes_in_history(client, base, reference)]
        assert all(before <= after for before, after in pairwise(places)), (reference, places)
        assert places[-1] == len(CORRECTIONS), (reference, places)


def _lanes_of_attempts(entries: list[dict[str, Any]]) -> tuple[dict[str, str], int]:
    """Return the lane of each body that was sent, by its hash, and how many attempts have no outcome."""
    lanes: dict[str, str] = {}
    under_way: set[str] = set()
    unsettled = 0
    for entry in sorted(entries, key=lambda entry: int(entry["number"])):
        lane = entry["subject"]
        if entry["action"] == "attempt":
            unsettled += lane in under_way
            under_way.add(lane)
            body_hash = entry["detail"]["body_hash"]
            assert lanes.setdefault(body_hash, lane) == lane
        else:
            under_way.discard(lane)
    assert not under_way, f"nothing waits, and yet the last attempt has no outcome: {sorted(under_way)}"
    return lanes, unsettled


def assert_one_worker_at_a_time(outages: Sequence[Outage], by_lane: Mapping[str, Sequence[Sending]]) -> int:
    """Assert that two workers are at one lane only where an outage had ended a lease; return how often that was.

    The callers of the sendings are the names of the workers.
    """
    explained = 0
    for lane, sendings in by_lane.items():
        for place, second in enumerate(sendings):
            for first in sendings[:place]:
                if first.ended <= second.began or first.caller == second.caller:
                    continue
                names = {first.caller, second.caller}
                assert any(
                    outage.name in names
                    and outage.begins <= second.began
                    and outage.ends >= first.began - LEASE_SECONDS
                    for outage in outages
                ), f"two workers at once in {lane}: {first} {second}"
                explained += 1
    return explained
