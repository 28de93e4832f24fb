"""Reads a server's CapabilityStatement: what of it we need, and whether it is there."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Any

from service.settings import Strategy

TYPES_WITHOUT_IDENTIFIER = frozenset({"Provenance"})
"""Types that R4 gives no identifier, so that no condition can tell whether one has arrived already."""


class NotAFhirServerError(Exception):
    """What answers at the destination is not a FHIR R4 server; the message says how that shows."""


@dataclass(frozen=True, slots=True)
class TypeCapabilities:
    """What a server says it can do with one resource type; `denies_update_create` where it says outright no."""

    update_create: bool
    conditional_create: bool
    conditional_update: bool
    search_by_identifier: bool = False
    versioning: str | None = None
    denies_update_create: bool = False


@dataclass(frozen=True, slots=True)
class Capabilities:
    """What a server says it can do; a type that it does not list is absent from `types`."""

    fhir_version: str
    software: str
    transaction: bool
    types: Mapping[str, TypeCapabilities]


def _objects(value: object, name: str) -> list[Mapping[str, Any]]:
    """Return a list of objects, empty where there is none; NotAFhirServerError for anything else."""
    if value is None:
        return []
    if isinstance(value, list) and all(isinstance(item, dict) for item in value):
        return value
    raise NotAFhirServerError(f"its CapabilityStatement does not hold a list of objects at {name}")


def read_capabilities(statement: object) -> Capabilities:
    """Return what a CapabilityStatement says; NotAFhirServerError where it is none, or of another FHIR version."""
    if not isinstance(statement, dict) or statement.get("resourceType") != "CapabilityStatement":
        raise NotAFhirServerError("its /metadata is not a CapabilityStatement")
    version = str(statement.get("fhirVersion"))
    if not version.startswith("4.0"):
        raise NotAFhirServerError(f"it speaks FHIR {version:.20}, and this service sends R4 (4.0.1)")
    server = next((rest for rest in _objects(statement.get("rest"), "rest") if rest.get("mode") == "server"), None)
    if server is None:
        raise NotAFhirServerError("its CapabilityStatement describes no server")
    software = statement.get("software")
    interactions = [interaction.get("code") for interaction in _objects(server.get("interaction"), "interaction")]
    return Capabilities(
        fhir_version=version,
        software=str(software.get("name", "not said")) if isinstance(software, dict) else "not said",
        transaction="transaction" in interactions,
        types={
            str(listed.get("type")): TypeCapabilities(
                update_create=listed.get("updateCreate") is True,
                conditional_create=listed.get("conditionalCreate") is True,
                conditional_update=listed.get("conditionalUpdate") is True,
                search_by_identifier=any(
                    parameter.get("name") == "identifier"
                    for parameter in _objects(listed.get("searchParam"), "searchParam")
                ),
                versioning=str(listed["versioning"])[:30] if "versioning" in listed else None,
                denies_update_create=listed.get("updateCreate") is False,
            )
            for listed in _objects(server.get("resource"), "resource")
        },
    )


def choose_strategy(capabilities: Capabilities, needed: Collection[str], wish: Strategy) -> Strategy:
    """Return how resources are addressed: as wished, else by the best that the server says of the types needed.

    The ids of the client's choice are the only guard against doubles that holds everywhere, so they come first.
    A type that the server does not list has no say, since servers take more types than they list.
    """
    if wish is not Strategy.AUTO:
        return wish
    listed = [capabilities.types[name] for name in needed if name in capabilities.types]
    if listed and all(kind.update_create for kind in listed):
        return Strategy.CLIENT_IDS
    if listed and all(kind.conditional_update for kind in listed):
        return Strategy.CONDITIONAL_UPDATE
    return Strategy.CONDITIONAL_CREATE


def silent_on_client_ids(capabilities: Capabilities, needed: Collection[str]) -> list[str]:
    """Return the types needed of which the server says neither that it takes ids of the client's choice nor not.

    There is none as soon as it says no of one of them: its word against them stands for all.
    """
    listed = {name: capabilities.types[name] for name in needed if name in capabilities.types}
    if any(kind.denies_update_create for kind in listed.values()):
        return []
    return sorted(name for name, kind in listed.items() if not kind.update_create)


def missing_capabilities(
    capabilities: Capabilities, needed: Collection[str], strategy: Strategy, tried: Collection[str] = ()
) -> list[str]:
    """Return, a sentence each, what the server does not offer of what the strategy needs.

    Of the types in `tried` it need not say so, since the strategy was tried and went well.
    """
    if strategy is not Strategy.CLIENT_IDS:
        needed = [name for name in needed if name not in TYPES_WITHOUT_IDENTIFIER]
    missing = [] if capabilities.transaction else ["the server does not say that it takes transactions"]
    unlisted = sorted(name for name in needed if name not in capabilities.types)
    if unlisted:
        missing.append(f"the server does not list: {', '.join(unlisted)}")
    offers = {
        Strategy.CLIENT_IDS: ("update_create", "ids of the client's choice (updateCreate)"),
        Strategy.CONDITIONAL_UPDATE: ("conditional_update", "conditional update"),
        Strategy.CONDITIONAL_CREATE: ("conditional_create", "conditional create"),
    }
    attribute, words = offers[strategy]
    lacking = sorted(
        name
        for name, kind in capabilities.types.items()
        if name in needed and name not in tried and not getattr(kind, attribute)
    )
    if lacking:
        missing.append(f"no {words} for: {', '.join(lacking)}")
    return missing
