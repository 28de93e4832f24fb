"""What is known of the destination while the service runs; shown by GET /v1/destination."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field
from typing import Any

from service.delivery.circuit import Circuit, CircuitState
from service.delivery.judge_answer import DestinationWrong, Later, Verdict
from service.delivery.read_capabilities import Capabilities, TypeCapabilities, missing_capabilities
from service.settings import Strategy


@dataclass(slots=True)
class DestinationState:
    """The destination as it was last seen. `needed` are the resource types that are sent to it.

    Those in `left_out` are made and, by the settings, not sent.
    `problem` says in a sentence why nothing is sent at the moment, and is None while it can be used.
    """

    base: str
    needed: frozenset[str]
    left_out: frozenset[str] = frozenset()
    capabilities: Capabilities | None = None
    strategy: Strategy = Strategy.AUTO
    problem: str | None = "not asked yet"
    circuit: Circuit = field(default_factory=Circuit)

    @property
    def is_usable(self) -> bool:
        """Return whether anything may be sent."""
        return self.circuit.state is not CircuitState.OPEN

    def answer(self, capabilities: Capabilities, strategy: Strategy) -> None:
        """Note what the server says it can do; the next sending shows whether it works."""
        self.capabilities = capabilities
        self.strategy = strategy
        self.problem = None
        self.circuit.probe()

    def give_no_answer(self, reason: str) -> None:
        """Note why the server could not be asked what it can do."""
        self.problem = reason
        self.circuit.stay_open()

    def note(self, verdict: Verdict) -> None:
        """Note what became of a sending."""
        match verdict:
            case DestinationWrong():
                self.circuit.open()
            case Later() if verdict.is_unreachable:
                self.circuit.open()
            case Later() if verdict.is_down:
                self.circuit.fail(verdict.after_seconds)
            case Later():
                return
            case _:
                self.circuit.succeed()
                return
        if self.circuit.state is CircuitState.OPEN:
            self.problem = verdict.reason

    def as_json(self) -> dict[str, Any]:
        """Return the state as the API shows it."""
        known = self.capabilities
        return {
            "base": self.base,
            "usable": known is not None and self.problem is None,
            "problem": self.problem,
            "circuit": self.circuit.state.value,
            "fhir_version": known.fhir_version if known else None,
            "software": known.software if known else None,
            "strategy": self.strategy.value if known else None,
            "missing": missing_capabilities(known, self.needed, self.strategy) if known else [],
            "left_out": sorted(self.left_out),
            "transaction": known.transaction if known else None,
            "types": {name: _type_as_json(known.types.get(name)) for name in sorted(self.needed)} if known else {},
        }


def destination_of(base: str, made: Collection[str], left_out: frozenset[str]) -> DestinationState:
    """Return the destination at `base` before it is asked; of the types that are made, some are left out."""
    return DestinationState(base.rstrip("/"), frozenset(made) - left_out, left_out & frozenset(made))


def _type_as_json(kind: TypeCapabilities | None) -> dict[str, Any]:
    """Return what the server says of one type that is sent; a type that it does not list it says nothing of."""
    if kind is None:
        return {"listed": False}
    return {
        "listed": True,
        "client_ids": kind.update_create,
        "conditional_create": kind.conditional_create,
        "conditional_update": kind.conditional_update,
        "search_by_identifier": kind.search_by_identifier,
        "versioning": kind.versioning,
    }
