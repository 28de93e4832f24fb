"""What one reading of a resource carries along: where it is, what it found, what it must still resolve."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from service.records.finding import Finding

Path = tuple["Path | None", str, int | None]
"""Where an element is: its parent's path, its name, its place in an array; rendered only for a finding."""


def render_path(path: Path | None) -> str:
    """Return the FHIRPath location that `path` stands for."""
    steps: list[str] = []
    while path is not None:
        parent, name, index = path
        steps.append(name if index is None else f"{name}[{index}]")
        path = parent
    return ".".join(reversed(steps))


@dataclass(slots=True)
class LocalMention:
    """A mention of `#id` in a resource: where, of what, and from within which contained resource.

    `targets` is None for a uri that is no Reference, and empty where a Reference may go to any type.
    """

    path: Path
    literal: str
    targets: frozenset[str] | None
    contained_index: int | None


@dataclass(slots=True)
class Walk:
    """The state of one reading.

    `broken` counts what makes a structure unsafe for its invariants. `mentions` belongs to the resource that
    is being read, with those that it contains. `urns` holds the references that only a Bundle can resolve:
    where, to what, to which types.
    """

    findings: list[Finding] = field(default_factory=list)
    broken: int = 0
    mentions: list[LocalMention] = field(default_factory=list)
    contained_index: int | None = None
    is_transaction: bool = False
    urns: list[tuple[Path, str, frozenset[str]]] = field(default_factory=list)

    @property
    def noted(self) -> int:
        """Return how much was noted so far: findings, and what is still to be resolved."""
        return len(self.findings) + len(self.mentions) + len(self.urns)

    def report(
        self, rule: str, path: Path | None, message: str, severity: Literal["error", "warning"] = "error"
    ) -> None:
        """Add a finding that leaves the structure readable."""
        self.findings.append(Finding(rule, render_path(path), message, severity))

    def report_broken(self, rule: str, path: Path | None, message: str) -> None:
        """Add a finding after which no invariant of the enclosing elements can be trusted to run."""
        self.broken += 1
        self.findings.append(Finding(rule, render_path(path), message))
