"""A client that plays cases of every sort at random: one by one or as an array, corrected, retracted, checked."""

from __future__ import annotations

import random
import time
from collections.abc import Callable, Sequence
from typing import Any

from service.exact_json import read_json, write_json
from tests.support.delivering_service import example
from tests.support.killed_service import CORRECTIONS, Load

_DEVICE = b'"D-3"'
_TIMEOUT_SECONDS = 90.0
"""Longer than any fault: a correction that the client gave up too early and sent again might come in late, after
the next one."""


class VariedLoad(Load):
    """One client; `is_behind` says when it has to wait with its next case."""

    def __init__(
        self, bases: Sequence[str], name: str, chance: random.Random, is_behind: Callable[[], bool]
    ) -> None:
        super().__init__(*bases, name=name, timeout_seconds=_TIMEOUT_SECONDS)
        self._chance = chance
        self._is_behind = is_behind
        self.retracted = 0
        self.checks = 0

    def _play_case(self, case_id: str, number: int) -> None:
        while self._is_behind() and not self._ending.is_set():
            time.sleep(0.1)
        case_id = f"{self.name}-{number}"
        device = f"D-{case_id}"
        case = example("demo/case.json")
        case["patient"]["identifier"]["value"] = f"P-{case_id}"
        case["encounter"]["value"] = f"E-{case_id}"
        case["location"] = f"Ward {self._chance.randrange(1, 30)}"
        registered = {**example("device-check/device.json"), "serial": device}
        if self._chance.random() < 0.5:
            self._call("PUT", f"/v1/devices/{device}", registered, {200, 201})
            self._check(device, "k-1")
        self._call("PUT", f"/v1/cases/{case_id}", case, {200, 201})
        versions = self.acknowledged.versions.setdefault(case_id, {})
        events = read_json(write_json(example("demo/events.json")).replace(_DEVICE, write_json(device)))
        if self._chance.random() < 0.3:
            answer = self._call("POST", f"/v1/cases/{case_id}/events", events, {207})
            for outcome in answer["outcomes"]:
                self._take(outcome, versions)
        else:
            for event in events:
                self._take(self._call("POST", f"/v1/cases/{case_id}/events", event, {201}), versions)
                if event["kind"] == "rhythm_assessed" and self._chance.random() < 0.5:
                    self._correct(case_id, event, versions)
        for event in events:
            self._change(case_id, event, versions)
        if self._chance.random() < 0.3:
            # The clock of the device is known only now, so what was stamped by it is made again.
            self._call("PUT", f"/v1/devices/{device}", registered, {200, 201})
            self._check(device, "k-2")
        if self._chance.random() < 0.3:
            amended = {**case, "encounter": {**case["encounter"], "value": f"E-{case_id}-amended"}}
            self._call("PUT", f"/v1/cases/{case_id}", amended, {200})

    def _change(self, case_id: str, event: dict[str, Any], versions: dict[str, int]) -> None:
        if event["kind"] == "rhythm_assessed" and versions[event["id"]] == 1:
            self._correct(case_id, event, versions)
        elif event["kind"] == "vital_signs" and self._chance.random() < 0.4:
            address = f"/v1/cases/{case_id}/events/{event['id']}?reason=test"
            answer = self._call("DELETE", address, None, {200})
            assert answer["outcome"] in {"entered_in_error", "duplicate"}, answer
            versions[event["id"]] = answer["version"]
            self.retracted += 1

    def _correct(self, case_id: str, event: dict[str, Any], versions: dict[str, int]) -> None:
        for note in CORRECTIONS:
            address = f"/v1/cases/{case_id}/events/{event['id']}?reason=test"
            answer = self._call("PUT", address, {**event, "note": note}, {200})
            self._take(answer, versions)
        self.acknowledged.corrected.update(
            reference for reference in answer["resources"] if reference.startswith("Observation/")
        )

    def _check(self, device: str, check_id: str) -> None:
        check = {**example("device-check/check.json"), "id": check_id}
        answer = self._call("POST", f"/v1/devices/{device}/checks", check, {201})
        self.acknowledged.resources.update(answer["resources"])
        self.checks += 1
