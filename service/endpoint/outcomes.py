"""What the endpoint says when it refuses: issues, the refusal that carries them, and their OperationOutcome."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

from service.records.finding import Finding

Severity = Literal["fatal", "error", "warning", "information"]

# Source: the value set issue-type of FHIR R4. A rule that is not listed here is one of the specification's
# named invariants.
_ISSUE_CODES = {
    "min": "required",
    "max": "structure",
    "unknown-element": "structure",
    "type": "structure",
    "choice": "structure",
    "empty": "structure",
    "primitive": "value",
    "sampled-data": "value",
    "reference-syntax": "value",
    "reference-target": "value",
    "binding": "code-invalid",
    "unresolved": "not-found",
}


@dataclass(frozen=True, slots=True)
class Issue:
    """One issue of an OperationOutcome; `code` is from FHIR's value set issue-type."""

    code: str
    details: str
    diagnostics: str | None = None
    expression: str | None = None
    severity: Severity = "error"


class RefusalError(Exception):
    """A request that is not carried out: the HTTP status and every issue that was found with it."""

    def __init__(self, status: int, issues: Sequence[Issue], *, headers: dict[str, str] | None = None) -> None:
        super().__init__("; ".join(issue.details for issue in issues))
        self.status = status
        self.issues = tuple(issues)
        self.headers = headers or {}

    def within(self, place: str) -> RefusalError:
        """Return the same refusal with its locations inside the Bundle entry at `place`."""
        return RefusalError(
            self.status,
            [replace(issue, expression=_location_within(place, issue.expression)) for issue in self.issues],
            headers=self.headers,
        )


def refuse(status: int, code: str, details: str, *, expression: str | None = None) -> RefusalError:
    """Return a refusal with one issue, ready to be raised."""
    return RefusalError(status, [Issue(code, details, expression=expression)])


def issues_of(findings: Iterable[Finding]) -> list[Issue]:
    """Return one issue for each finding, its rule as diagnostics and its path as expression."""
    return [
        Issue(
            code=_ISSUE_CODES.get(finding.rule, "invariant"),
            details=finding.message,
            diagnostics=finding.rule,
            expression=finding.path,
            severity=finding.severity,
        )
        for finding in findings
    ]


def outcome_of(issues: Iterable[Issue]) -> dict[str, Any]:
    """Return the OperationOutcome that says `issues`, of which there must be at least one."""
    return {"resourceType": "OperationOutcome", "issue": [_issue_element(issue) for issue in issues]}


def _issue_element(issue: Issue) -> dict[str, Any]:
    element: dict[str, Any] = {
        "severity": issue.severity,
        "code": issue.code,
        "details": {"text": issue.details},
    }
    if issue.diagnostics:
        element["diagnostics"] = issue.diagnostics
    if issue.expression:
        element["expression"] = [issue.expression]
    return element


def _location_within(place: str, expression: str | None) -> str:
    if expression is None:
        return place
    _, dot, rest = expression.partition(".")
    return f"{place}.resource{dot}{rest}"
