"""Decides what a server's answer to a transaction means for the deliveries in it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from typing import Any

from service.delivery.exchange import Answer
from service.exact_json import BrokenJsonError, read_json


@dataclass(frozen=True, slots=True)
class Arrived:
    """Everything arrived; for each entry, in order, the id and version that the server gave it."""

    places: tuple[tuple[str, str | None], ...]


@dataclass(frozen=True, slots=True)
class Later:
    """Nobody knows, or not now: the same bytes are sent again.

    `is_unreachable`: no answer came. `is_down`: the server says that it is not available as a whole. `is_error`: it
    failed at this request, and may do so each time.
    """

    reason: str
    after_seconds: float | None = None
    is_unreachable: bool = False
    is_down: bool = False
    is_error: bool = False


@dataclass(frozen=True, slots=True)
class Conflict:
    """The server saw a conflict, which may pass: after `most_attempts` attempts it counts as a refusal."""

    reason: str
    most_attempts: int
    outcome: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class DestinationWrong:
    """The destination itself is not usable (credentials, address): everything waits, nothing is held."""

    reason: str


@dataclass(frozen=True, slots=True)
class TooLarge:
    """The Bundle is over a limit of the server: smaller ones may pass."""

    reason: str
    outcome: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Refused:
    """The server will not have it as it is; a person must look at `outcome`, the server's or one of ours.

    `entry` is the place in the Bundle of what was refused, where the answer says so.
    """

    reason: str
    outcome: Mapping[str, Any]
    entry: int | None = None


Verdict = Arrived | Later | Conflict | DestinationWrong | TooLarge | Refused

_UNKNOWN_OUTCOME_STATUSES = frozenset({408, 425, 429})
_DOWN_STATUSES = frozenset({429, 502, 503, 504})
_DESTINATION_STATUSES = frozenset({401, 403, 404, 405, 407, 410})


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


def _reason(status: int, outcome: Mapping[str, Any]) -> str:
    issues = outcome.get("issue")
    first = issues[0] if isinstance(issues, list) and issues and isinstance(issues[0], dict) else {}
    return f"the server answered {status} ({first.get('code', 'no code')})"


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


def judge_answer(answer: Answer, entries: int, now: datetime) -> Verdict:
    """Return what the answer to a transaction of `entries` entries means.

    Source: FHIR R4, http.html, transaction; the reading of the statuses follows how servers are known to use them.
    """
    status = answer.status
    if 200 <= status < 300:
        return _judge_success(answer, entries)
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
    reason = _reason(status, outcome)
    if status == 413:
        return TooLarge(reason, outcome)
    if status == 409:
        return Conflict(reason, 5, outcome)
    if status == 412:
        return Conflict(reason, 2, outcome)
    return Refused(reason, outcome)


def _judge_success(answer: Answer, entries: int) -> Verdict:
    bundle = _parsed(answer.body)
    if not isinstance(bundle, dict):
        return Later(f"the server answered {answer.status} with a body that is not JSON", is_error=True)
    if bundle.get("resourceType") != "Bundle" or bundle.get("type") != "transaction-response":
        what = bundle.get("type") or bundle.get("resourceType")
        reason = f"the server answered a transaction with {what!s:.40}, so nobody knows what it did"
        return Refused(reason, own_outcome(reason))
    answers = [entry if isinstance(entry, dict) else {} for entry in _listed(bundle.get("entry"))]
    if len(answers) != entries:
        reason = f"the server answered {len(answers)} entries of {entries}"
        return Refused(reason, own_outcome(reason))
    places: list[tuple[str, str | None]] = []
    for number, entry in enumerate(answers):
        response = entry.get("response")
        response = response if isinstance(response, dict) else {}
        if not str(response.get("status", "")).startswith("2"):
            reason = f"the server did not take entry {number}"
            outcome = response.get("outcome")
            return Refused(reason, outcome if isinstance(outcome, dict) else own_outcome(reason), number)
        places.append(_place(response, entry))
    return Arrived(tuple(places))


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
