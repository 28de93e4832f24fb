"""What a device check says about the readiness of its device."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

ReadinessOutcome = Literal["ready", "ready_with_fault", "not_ready"]


@dataclass(frozen=True, slots=True)
class Reason:
    """Why a device is not simply ready: a stable word, the item of the check, and a sentence for a person."""

    word: str
    item: str
    says: str


@dataclass(frozen=True, slots=True)
class CheckVerdict:
    """The outcome of one check, and the reasons for it (none where the device is ready)."""

    outcome: ReadinessOutcome
    reasons: tuple[Reason, ...]


@dataclass(frozen=True, slots=True)
class JudgedCheck:
    """One device check as it is kept: when it was done (as the client wrote it) and what it amounts to."""

    id: str
    checked_at: str
    verdict: CheckVerdict
