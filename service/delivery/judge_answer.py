"""Decides what a server's answer to a transaction means for the deliveries in it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from typing import Any, ClassVar

from service.delivery.exchange import Answer
from service.exact_json import BrokenJsonError, read_json


@dataclass(frozen=True, slots=True)
class Arrived:
    """Everything arrived; for each entry, in order, the id and version that the server gave it."""

    word: ClassVar[str] = "arrived"
    places: tuple[tuple[str, str | None], ...]


@dataclass(frozen=True, slots=True)
class Later:
    """Nobody knows, or not now: the same bytes are sent again.

    `is_unreachable`: no answer came. `is_down`: the server says that it is not available as a whole. `is_error`: it
    failed at this request, or said what nobody understands, and may do so each time; `outcome` and `entry` are then
    what it said of it, where it did.
    """

    word: ClassVar[str] = "later"
    reason: str
    after_seconds: float | None = None
    is_unreachable: bool = False
    is_down: bool = False
    is_error: bool = False
    outcome: Mapping[str, Any] | None = None
    entry: int | None = None


@dataclass(frozen=True, slots=True)
class ServerConflict:
    """The server saw a conflict, which may pass: after `most_attempts` attempts it counts as a refusal."""

    word: ClassVar[str] = "conflict"
    reason: str
    most_attempts: int
    outcome: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class DestinationWrong:
    """The destination itself is not usable (credentials, address): everything waits, nothing is held."""

    word: ClassVar[str] = "destination-wrong"
    reason: str


@dataclass(frozen=True, slots=True)
class TooLarge:
    """The Bundle is over a limit of the server: smaller ones may pass."""

    word: ClassVar[str] = "too-large"
    reason: str
    outcome: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Refused:
    """The server will not have it as it is; a person must look at `outcome`, the server's or one of ours.

    `entry` is the place in the Bundle of what was refused, where the answer says so.
    """

    word: ClassVar[str] = "refused"
    reason: str
    outcome: Mapping[str, Any]
    entry: int | None = None


Verdict = Arrived | Later | ServerConflict | DestinationWrong | TooLarge | Refused

_UNKNOWN_OUTCOME_STATUSES = frozenset({408, 425, 429})
_DOWN_STATUSES = frozenset({429, 502, 503, 504})
_DESTINATION_STATUSES = frozenset({401, 403, 404, 405, 407, 410})
_PASSING_ISSUES = frozenset(
    ("conflict", "transient", "lock-error", "no-store", "exception", "timeout", "incomplete", "throttled")
)
"""What an issue says of a conflict that has nothing to do with the content: another writer, a lock, a moment.

Source: FHIR R4, valueset-issue-type.html: `conflict`, and `transient` with all that it contains.
"""
_NO_CODE = "no code"
_PASSING_ENTRIES = frozenset(("408", "409", "425", "429"))
"""The statuses 4xx of an entry that say nothing of its content."""


def own_outcome(diagnostics: str, code: str = "exception") -> dict[str, Any]:
    """Return an OperationOutcome of our own, for what a server did not say in one."""
    return {
        "resourceType": "OperationOutcome",
        "issue": [{"severity": "error", "code": code, "diagnostics": diagnostics}],
    }


def _parsed(body: bytes) -> Any:
    try:
        return read_json(body)
    except BrokenJsonError:
        return None


def _outcome_of(answer: Answer) -> Mapping[str, Any]:
    parsed = _parsed(answer.body)
    if isinstance(parsed, dict) and parsed.get("resourceType") == "OperationOutcome":
        return parsed
    return own_outcome(f"the server answered {answer.status} without an OperationOutcome")


def _issue_code(outcome: Mapping[str, Any]) -> str:
    """Return the code of the first issue."""
    issues = outcome.get("issue")
    first = issues[0] if isinstance(issues, list) and issues and isinstance(issues[0], dict) else {}
    return str(first.get("code", _NO_CODE))


def retry_after_seconds(headers: Mapping[str, str], now: datetime) -> float | None:
    """Return how long the server asks us to wait (RFC 9110, section 10.2.3: seconds or a date)."""
    value = headers.get("retry-after", "").strip()
    if value.isdecimal():
        return float(value)
    try:
        moment = parsedate_to_datetime(value)
    except (ValueError, OverflowError):
        return None
    moment = moment if moment.tzinfo else moment.replace(tzinfo=UTC)
    return max(0.0, (moment - now).total_seconds())


def judge_answer(answer: Answer, entries: int, now: datetime, *, repeats_safely: bool) -> Verdict:
    """Return what the answer to a transaction of `entries` entries means.

    An answer that nobody understands is no refusal. Where the same bytes can be sent again and bring everything to
    the state that is wanted (`repeats_safely`), it counts as an error of the server; otherwise as a refusal.

    Source: FHIR R4, http.html, transaction; the reading of the statuses follows how servers are known to use them.
    """
    status = answer.status
    if 200 <= status < 300:
        verdict = _judge_success(answer, entries)
        if isinstance(verdict, Later) and verdict.outcome is not None and not repeats_safely:
            return Refused(verdict.reason, verdict.outcome, verdict.entry)
        return verdict
    if status in _UNKNOWN_OUTCOME_STATUSES or status >= 500:
        is_down = status in _DOWN_STATUSES
        return Later(
            f"the server answered {status}",
            retry_after_seconds(answer.headers, now),
            is_down=is_down,
            is_error=status >= 500 and not is_down,
        )
    if status in _DESTINATION_STATUSES:
        return DestinationWrong(f"the server answered {status}: address or credentials are wrong")
    if 300 <= status < 400:
        return DestinationWrong(f"the server answered {status}: redirects are not followed, set the right address")
    outcome = _outcome_of(answer)
    code = _issue_code(outcome)
    reason = f"the server answered {status} ({code})"
    if status == 413:
        return TooLarge(reason, outcome)
    if status == 409:
        # The server says that it has done nothing, so this repeats safely by every strategy.
        passes = code in _PASSING_ISSUES or code == _NO_CODE
        return Later(reason, is_error=True, outcome=outcome) if passes else ServerConflict(reason, 5, outcome)
    if status == 412:
        return ServerConflict(reason, 2, outcome)
    return Refused(reason, outcome)


def _judge_success(answer: Answer, entries: int) -> Verdict:
    bundle = _parsed(answer.body)
    if not isinstance(bundle, dict):
        return Later(f"the server answered {answer.status} with a body that is not JSON", is_error=True)
    kind = bundle.get("type") if bundle.get("resourceType") == "Bundle" else bundle.get("resourceType")
    if kind not in ("transaction-response", "batch-response"):
        told = bundle if kind == "OperationOutcome" else None
        return _not_understood(_unknown_answer(kind or bundle.get("resourceType")), told)
    responses = [_response_of(entry) for entry in _listed(bundle.get("entry"))]
    if len(responses) != entries:
        return _not_understood(f"the server answered with {len(responses)} entries for {entries}")
    statuses = [str(response.get("status", "")) for response in responses]
    failed = [number for number, status in enumerate(statuses) if not status.startswith("2")]
    for number in failed:
        if statuses[number].startswith("4") and statuses[number][:3] not in _PASSING_ENTRIES:
            reason, outcome = _failed_entry(number, responses[number])
            return Refused(reason, outcome, number)
    if kind != "transaction-response":
        return _not_understood(_unknown_answer(kind))
    if failed:
        reason, outcome = _failed_entry(failed[0], responses[failed[0]])
        return _not_understood(reason, outcome, failed[0])
    return Arrived(tuple(map(_place, responses, _listed(bundle.get("entry")))))


def _not_understood(reason: str, outcome: Mapping[str, Any] | None = None, entry: int | None = None) -> Later:
    """Return the verdict on an answer that says neither that everything arrived nor that it is refused."""
    return Later(reason, is_error=True, outcome=outcome or own_outcome(reason), entry=entry)


def _unknown_answer(kind: object) -> str:
    return f"the server answered a transaction with {kind!s:.40}, so it is not known what it did"


def _failed_entry(number: int, response: Mapping[str, Any]) -> tuple[str, Mapping[str, Any]]:
    """Return what is said of an entry that was not taken: a reason, and the server's outcome or one of ours."""
    reason = f"the server did not take entry {number}"
    outcome = response.get("outcome")
    return reason, outcome if isinstance(outcome, dict) else own_outcome(reason)


def _response_of(entry: object) -> Mapping[str, Any]:
    response = entry.get("response") if isinstance(entry, dict) else None
    return response if isinstance(response, dict) else {}


def _listed(value: object) -> list[Any]:
    return value if isinstance(value, list) else []


def _place(response: Mapping[str, Any], entry: Mapping[str, Any]) -> tuple[str, str | None]:
    """Return id and version from `location` ([base/]Type/id[/_history/version]), else from the resource."""
    parts = str(response.get("location", "")).rstrip("/").split("/")
    if "_history" in parts and parts.index("_history") >= 1:
        history = parts.index("_history")
        return parts[history - 1], parts[history + 1] if len(parts) > history + 1 else None
    if len(parts) >= 2:
        return parts[-1], None
    resource = entry.get("resource")
    return (str(resource.get("id", "")), None) if isinstance(resource, dict) else ("", None)
