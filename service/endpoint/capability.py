"""What the endpoint says of itself: the CapabilityStatement, and a page for those who come with a browser."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Mapping
from datetime import datetime
from html import escape
from importlib.metadata import PackageNotFoundError, version
from typing import Any

from service.endpoint.search_parameters import EVERY_TYPE, SearchParameter, parameters_of

BANNER = "For trial and tests, not for patient data"
NAME = "resus-fhir embedded FHIR endpoint"

_INTERACTIONS = ("read", "vread", "update", "delete", "create", "search-type")


def capability_statement(base: str, served: frozenset[str], started_at: datetime) -> dict[str, Any]:
    """Return the CapabilityStatement of the endpoint at `base`: what it does, and nothing else."""
    return {
        "resourceType": "CapabilityStatement",
        "status": "active",
        "date": started_at.isoformat(timespec="seconds"),
        "kind": "instance",
        "software": {"name": f"{NAME} ({BANNER.lower()})", "version": _software_version()},
        "implementation": {
            "description": f"{BANNER}: a small FHIR R4 server, used where no destination is configured.",
            "url": base,
        },
        "fhirVersion": "4.0.1",
        "format": ["application/fhir+json", "json"],
        "rest": [
            {
                "mode": "server",
                "documentation": (
                    "JSON only. An update with the content of the present version makes no new version. References"
                    " to Type/id of this endpoint must point at something. The entries of a transaction are POST"
                    " and PUT; a fullUrl is replaced in Reference.reference only. A condition looks at what was"
                    " there before the transaction. Searches take the date prefixes eq, gt, lt, ge and le, read"
                    " dates without offset as UTC, and sort by one date or by _lastUpdated. What is not listed is"
                    " refused: other parameters, modifiers, chains, includes, If-Match."
                ),
                "resource": [_resource(resource_type) for resource_type in sorted(served)],
                "interaction": [{"code": "transaction"}],
                "searchParam": _listed(EVERY_TYPE),
            }
        ],
    }


def front_page(connection: sqlite3.Connection, base: str) -> str:
    """Return a small page that says what this is and which resources are there, with links to them."""
    counts: Mapping[str, int] = dict(
        connection.execute(
            "SELECT resource_type, count(*) FROM resource WHERE deleted = 0 GROUP BY resource_type ORDER BY 1"
        ).fetchall()
    )
    address = escape(base, quote=True)
    rows = "".join(
        f'<tr><td><a href="{address}/{name}">{name}</a></td><td>{count}</td></tr>' for name, count in counts.items()
    )
    return (
        f'<!doctype html><html lang="en"><head><meta charset="utf-8"><title>{NAME}</title>'
        '<meta name="viewport" content="width=device-width, initial-scale=1"><style>'
        "body{font:1rem/1.5 system-ui,sans-serif;max-width:40rem;margin:2rem auto;padding:0 1rem}"
        ".banner{background:#8a1c1c;color:#fff;padding:.75rem 1rem;font-weight:bold}"
        "td,th{padding:.2rem 2rem .2rem 0;text-align:left}</style></head><body>"
        f'<h1>{NAME}</h1><p class="banner">{BANNER}.</p>'
        f'<p>FHIR R4 (4.0.1), JSON. <a href="{address}/metadata">What it can do</a></p>'
        f"<table><tr><th>Type</th><th>Resources</th></tr>{rows}</table>"
        "</body></html>"
    )


def _resource(resource_type: str) -> dict[str, Any]:
    resource: dict[str, Any] = {
        "type": resource_type,
        "interaction": [{"code": code} for code in _INTERACTIONS],
        "versioning": "versioned",
        "readHistory": False,
        "updateCreate": True,
        "conditionalCreate": True,
        "conditionalRead": "not-supported",
        "conditionalUpdate": True,
        "conditionalDelete": "not-supported",
        "referencePolicy": ["literal", "enforced"],
    }
    parameters = parameters_of(resource_type)
    if parameters:
        resource["searchParam"] = _listed(parameters.values())
    return resource


def _listed(parameters: Iterable[SearchParameter]) -> list[dict[str, str]]:
    return [{"name": parameter.name, "type": parameter.kind} for parameter in parameters]


def _software_version() -> str:
    try:
        return version("resus-fhir")
    except PackageNotFoundError:
        return "not installed"
