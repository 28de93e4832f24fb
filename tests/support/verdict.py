"""What a third-party reader says of one resource, in one shape for all readers."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Issue:
    """One remark of a reader; `severity` is FHIR's: fatal, error, warning or information."""

    severity: str
    expression: str
    text: str
    code: str = ""

    @property
    def is_error(self) -> bool:
        """Tell whether the reader refuses the resource for it."""
        return self.severity in {"error", "fatal"}

    def __str__(self) -> str:
        return f"{self.severity} at {self.expression or '?'}: {self.text}"


@dataclass(frozen=True, slots=True)
class Verdict:
    """A reader's verdict over one resource: accepted where no issue is an error."""

    issues: tuple[Issue, ...]
    milliseconds: float = 0.0

    @classmethod
    def from_answer(cls, answer: dict[str, Any]) -> Verdict:
        """Return the verdict that a reader in a process of its own wrote as one line of JSON.

        Raises ValueError where the reader's own `ok` contradicts its issues.
        """
        verdict = cls(
            tuple(
                Issue(item["severity"], item["expression"] or "", item["text"], item["code"] or "")
                for item in answer["issues"]
            ),
            answer["ms"],
        )
        if verdict.accepted is not answer["ok"]:
            raise ValueError(f"ok is {answer['ok']}, but the issues say otherwise: {verdict}")
        return verdict

    @property
    def accepted(self) -> bool:
        """Tell whether no issue is an error."""
        return not self.errors

    @property
    def errors(self) -> list[Issue]:
        """Return the issues for which the resource is refused."""
        return [issue for issue in self.issues if issue.is_error]

    def __str__(self) -> str:
        return lines(self.issues) or "no issue"


def lines(issues: Iterable[Issue]) -> str:
    """Return the issues as text, one a line."""
    return "\n".join(str(issue) for issue in issues)
