"""What is known of the destination while the service runs; shown by GET /v1/destination."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from service.delivery.read_capabilities import Capabilities, missing_capabilities
from service.settings import Strategy


@dataclass(slots=True)
class DestinationState:
    """The destination as it was last seen. `needed` are the resource types that are sent to it.

    `problem` says in a sentence why nothing is sent at the moment, and is None while it can be used.
    """

    base: str
    needed: frozenset[str]
    capabilities: Capabilities | None = None
    strategy: Strategy = Strategy.AUTO
    problem: str | None = "not asked yet"

    def as_json(self) -> dict[str, Any]:
        """Return the state as the API shows it."""
        known = self.capabilities
        return {
            "base": self.base,
            "usable": known is not None and self.problem is None,
            "problem": self.problem,
            "fhir_version": known.fhir_version if known else None,
            "software": known.software if known else None,
            "strategy": self.strategy.value if known else None,
            "missing": missing_capabilities(known, self.needed, self.strategy) if known else [],
            "types": {
                name: {
                    "client_ids": kind.update_create,
                    "conditional_create": kind.conditional_create,
                    "conditional_update": kind.conditional_update,
                }
                for name, kind in sorted((known.types if known else {}).items())
                if name in self.needed
            },
        }
