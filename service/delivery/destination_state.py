"""What is known of the destination while the service runs; shown by GET /v1/destination."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

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
            "left_out": sorted(self.left_out),
            "transaction": known.transaction if known else None,
            "types": {name: _type_as_json(known.types.get(name)) for name in sorted(self.needed)} if known else {},
        }


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
