"""Tries a destination with one marked test patient: create, repeat, find, correct, retract, read back, remove."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from service.delivery.build_bundle import UUID_SYSTEM, Outgoing, build_bundle, identifier_condition
from service.delivery.compare_resource import differences
from service.delivery.exchange import Answer, UnreachableError
from service.delivery.fhir_client import FhirClient
from service.delivery.judge_answer import Arrived, Refused, judge_answer
from service.exact_json import BrokenJsonError, read_json, write_json
from service.settings import Strategy

_MARK = "test of resus-fhir, not a patient"
_MOST_DIAGNOSTICS = 200


@dataclass(frozen=True, slots=True)
class TrialStep:
    """One thing that was tried: whether it went well, whether delivery needs it, and what was seen."""

    name: str
    good: bool
    needed: bool
    told: str


def trial_patient(source: str, trial_id: str, *, active: bool, word: str) -> dict[str, Any]:
    """Return the test patient: no person's name, marked as test data, found by identifiers of ours alone.

    Source: HL7 v3 ActReason HTEST, test health data, as a security label.
    """
    return {
        "resourceType": "Patient",
        "id": trial_id,
        "meta": {
            "security": [
                {
                    "system": "http://terminology.hl7.org/CodeSystem/v3-ActReason",
                    "code": "HTEST",
                    "display": "test health data",
                }
            ]
        },
        "identifier": [
            {"system": UUID_SYSTEM, "value": f"urn:uuid:{trial_id}"},
            {"system": source, "value": f"trial-{trial_id}"},
        ],
        "active": active,
        "name": [{"use": "anonymous", "text": f"{_MARK} ({word})"}],
    }


class _TrialEndedError(Exception):
    """A step went so wrong that the next ones have nothing to work with."""


class Trial:
    """One trial; `steps` is what was seen so far."""

    def __init__(self, client: FhirClient, strategy: Strategy, source: str, trial_id: str, now: datetime) -> None:
        self._client = client
        self._strategy = strategy
        self._source = source
        self._trial_id = trial_id
        self._now = now
        self._remote_id = ""
        self._version: str | None = None
        self.steps: list[TrialStep] = []

    @property
    def passed(self) -> bool:
        """Return whether everything was tried that delivery needs, and went well."""
        return bool(self.steps) and all(step.good or not step.needed for step in self.steps)

    async def run(self) -> None:
        """Try everything; what was written is removed, or stays retracted where that is not allowed."""
        try:
            await self._create_and_repeat()
            await self._find()
            await self._change("correct", active=True, word="corrected")
            await self._change("retract", active=False, word="retracted")
        except (_TrialEndedError, UnreachableError) as error:
            if isinstance(error, UnreachableError):
                self._say("exchange", str(error), good=False)
        if self._remote_id:
            await self._remove()

    def _say(self, name: str, told: str, *, good: bool, needed: bool = True) -> None:
        self.steps.append(TrialStep(name, good, needed, told))

    async def _send(self, name: str, patient: Mapping[str, Any]) -> tuple[str, str | None]:
        """Send the patient and return the id and version that the server tells."""
        outgoing = Outgoing("Patient", self._trial_id, write_json(patient))
        conditional = self._strategy is not Strategy.CLIENT_IDS
        known = {outgoing.reference: self._remote_id} if conditional and name not in ("create", "repeat") else {}
        answer = await self._client.post_bundle(build_bundle([outgoing], self._strategy, self._client.base, known))
        # A trial that is not understood has failed: nothing of it is sent again.
        verdict = judge_answer(answer, 1, self._now, repeats_safely=False)
        if isinstance(verdict, Arrived):
            return verdict.places[0]
        self._say(name, verdict.reason + _diagnostics(verdict), good=False)
        raise _TrialEndedError

    async def _create_and_repeat(self) -> None:
        patient = trial_patient(self._source, self._trial_id, active=True, word="created")
        place, self._version = await self._send("create", patient)
        self._remote_id = place or (self._trial_id if self._strategy is Strategy.CLIENT_IDS else "")
        if not self._remote_id:
            self._say("create", "the server does not say which id the patient has there", good=False)
            raise _TrialEndedError
        if self._strategy is Strategy.CLIENT_IDS and self._remote_id != self._trial_id:
            told = f"the server keeps it as Patient/{self._remote_id}, not under the id that was sent"
            self._say("create", told, good=False)
            raise _TrialEndedError
        self._say("create", f"Patient/{self._remote_id}{_version_text(self._version)}", good=True)
        again, _ = await self._send("repeat", patient)
        same = again in ("", self._remote_id)
        self._say(
            "repeat",
            "the same patient" if same else f"the server made a second one, Patient/{again}: remove it",
            good=same,
        )

    async def _find(self) -> None:
        answer = await self._client.call(
            "GET", f"Patient?{identifier_condition(self._trial_id)}", headers={"Cache-Control": "no-cache"}
        )
        bundle = _object(answer)
        entries = bundle.get("entry", [])
        # Some servers add an OperationOutcome to what they found.
        count = sum(1 for entry in entries if isinstance(entry, dict) and _type_in(entry) == "Patient")
        understood = answer.status == 200 and bundle.get("resourceType") == "Bundle"
        told = f"{count} found" if understood else f"the search answered {answer.status}"
        needed = self._strategy is not Strategy.CLIENT_IDS
        self._say("find", told, good=understood and count == 1, needed=needed)

    async def _change(self, name: str, *, active: bool, word: str) -> None:
        patient = trial_patient(self._source, self._trial_id, active=active, word=word)
        _, version = await self._send(name, patient)
        changed = version is None or version != self._version
        self._say(name, f"done{_version_text(version)}", good=True)
        self._say(
            "versions", "a new version" if changed else "the same version as before", good=changed, needed=False
        )
        self._version = version
        answer = await self._client.read("Patient", self._remote_id)
        if answer.status != 200:
            self._say(f"read back {word}", f"the read answered {answer.status}", good=False)
            return
        paths = differences(patient, _object(answer), self._client.base)
        told = "as it was sent" if not paths else f"differs in: {', '.join(paths)}"
        self._say(f"read back {word}", told, good=not paths)

    async def _remove(self) -> None:
        """Remove the patient; where that is not allowed, it stays behind as what it is."""
        try:
            status = (await self._client.call("DELETE", f"Patient/{self._remote_id}")).status
            told = f"DELETE answered {status}"
        except UnreachableError as error:
            status, told = 0, str(error)
        gone = status in (200, 202, 204)
        stays = f"{told}, so Patient/{self._remote_id} stays there, marked as a test"
        self._say("remove", "removed" if gone else stays, good=gone, needed=False)


def _version_text(version: str | None) -> str:
    return f", version {version:.40}" if version else ""


def _object(answer: Answer) -> dict[str, Any]:
    try:
        value = read_json(answer.body)
    except BrokenJsonError:
        return {}
    return value if isinstance(value, dict) else {}


def _type_in(entry: Mapping[str, Any]) -> object:
    resource = entry.get("resource")
    return resource.get("resourceType") if isinstance(resource, dict) else None


def _diagnostics(verdict: object) -> str:
    """Return what the server says of a refusal; the trial holds nobody's data, so it may be shown."""
    if not isinstance(verdict, Refused):
        return ""
    issues = verdict.outcome.get("issue")
    first = issues[0] if isinstance(issues, list) and issues and isinstance(issues[0], dict) else {}
    told = " ".join(str(first.get("diagnostics", "")).split())[:_MOST_DIAGNOSTICS]
    return f": {told}" if told.isprintable() and told else ""
