"""What the completeness rules say about one element of a case."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Importance = Literal["core", "supplemental"]
State = Literal["recorded", "stated-unknown", "not-applicable", "missing", "conflict"]


@dataclass(frozen=True, slots=True)
class Assessment:
    """The state of one element under one rule; a gap where the state is one of `GAP_STATES`.

    `element` is `case.FIELD`, `KIND.FIELD` or, for a whole event, `KIND`. `event_id` is None for the case and for
    a whole event. `ask` is the question that fills the gap, for the person who was there.
    """

    element: str
    event_id: str | None
    importance: Importance
    state: State
    rule: str
    ask: str


GAP_STATES: frozenset[State] = frozenset(("missing", "conflict", "stated-unknown"))
