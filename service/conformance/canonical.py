"""The names under which the package and everything in it is known: canonical addresses, ids, and what all share."""

from __future__ import annotations

import re
from typing import Any

from service import __version__
from service.mapping.record_values import CANONICAL

PACKAGE_NAME = "resus-fhir.events"
FHIR_VERSION = "4.0.1"
PUBLISHER = "resus-fhir"
OWN_SYSTEM = f"{CANONICAL}/CodeSystem/resuscitation"
"""The CodeSystem of what no public system has a code for that could be verified."""

CODES_NOTICE = (
    "Codes and names of SNOMED CT, LOINC, ISO/IEEE 11073, RxNorm and ATC belong to their publishers, and their use "
    "is subject to those publishers' licences. Whether a code is active in the current release of its system was "
    "not proven."
)

_WORD_BREAK = re.compile(r"[^A-Za-z0-9]+")
_CAPITALS_FIRST = re.compile(r"^[A-Z]")


def fhir_id(*words: str) -> str:
    """Return an id made of `words` with hyphens between them; a word that repeats the one before it is left out."""
    kept = [word for place, word in enumerate(words) if word and (place == 0 or word != words[place - 1])]
    return "-".join(_WORD_BREAK.sub("-", word).strip("-").lower() for word in kept)


def computer_name(identifier: str) -> str:
    """Return the name of a conformance resource for programs: the words of its id, each with a capital."""
    name = "".join(word[:1].upper() + word[1:] for word in _WORD_BREAK.split(identifier))
    return name if _CAPITALS_FIRST.match(name) else f"Resus{name}"


def canonical(resource_type: str, identifier: str) -> str:
    """Return the canonical address of a conformance resource of this project."""
    return f"{CANONICAL}/{resource_type}/{identifier}"


def conformance_resource(resource_type: str, identifier: str, title: str, description: str) -> dict[str, Any]:
    """Return the members with which every conformance resource of the package begins.

    None bears a date: the same data must give the same bytes, and the version says what is what.
    """
    return {
        "resourceType": resource_type,
        "id": identifier,
        "url": canonical(resource_type, identifier),
        "version": __version__,
        "name": computer_name(identifier),
        "title": title,
        "status": "draft",
        "experimental": False,
        "publisher": PUBLISHER,
        "description": description,
    }
