"""Every reference in a resource: where it stands, what it points at, and how it is put right in a transaction."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

from service.endpoint.resource_types import RESOURCE_TYPES

LOGICAL_ID = re.compile(r"[A-Za-z0-9\-.]{1,64}")
_LITERAL = re.compile(r"([A-Za-z]+)/([A-Za-z0-9\-.]{1,64})(?:/_history/[A-Za-z0-9\-.]{1,64})?")
_ABSOLUTE = re.compile(r"[A-Za-z][A-Za-z0-9+.\-]*:")

# Besides Reference.reference, the elements whose type is uri, url, oid or uuid follow a resource of the same bundle
# to its new identity; canonicals do not (FHIR R4, bundle, section 2.36.4).
_LINK_NAMES = frozenset({"reference", "url", "valueUri", "valueUrl", "valueUuid", "valueOid"})
_NARRATIVE_LINK = re.compile(r"""((?:href|src)\s*=\s*)(["'])([^"']*)\2""")


class ReferencePlace(NamedTuple):
    """One link in a resource: the object that holds it, the member's name, and its FHIRPath location."""

    holder: dict[str, Any]
    name: str
    path: str

    @property
    def value(self) -> str:
        """The link as it stands now."""
        value: str = self.holder[self.name]
        return value


def places_of_links(resource: dict[str, Any]) -> list[ReferencePlace]:
    """Return every reference, link and narrative of `resource`.

    A Bundle stored as a resource keeps its own references, which point into itself.
    """
    places: list[ReferencePlace] = []
    if resource.get("resourceType") != "Bundle":
        _add_places(resource, str(resource.get("resourceType")), places)
    return places


def _add_places(value: Any, path: str, places: list[ReferencePlace]) -> None:
    if isinstance(value, dict):
        for name, member in value.items():
            if isinstance(member, str):
                if name in _LINK_NAMES or name == "div":
                    places.append(ReferencePlace(value, name, f"{path}.{name}"))
            elif isinstance(member, (dict, list)):
                _add_places(member, f"{path}.{name}", places)
    else:
        for number, item in enumerate(value):
            if isinstance(item, (dict, list)):
                _add_places(item, f"{path}[{number}]", places)


def places_of_references(resource: dict[str, Any]) -> list[ReferencePlace]:
    """Return every place of a `Reference.reference` in `resource`."""
    return [place for place in places_of_links(resource) if place.name == "reference"]


def replace_links(resource: dict[str, Any], identities: Mapping[str, str]) -> None:
    """Put `identities[link]` in the place of each link that is a key of `identities`, narrative included."""
    if not identities:
        return
    for place in places_of_links(resource):
        if place.name == "div":
            place.holder["div"] = _NARRATIVE_LINK.sub(_narrative_replacement(identities), place.value)
        elif place.value in identities:
            place.holder[place.name] = identities[place.value]


def _narrative_replacement(identities: Mapping[str, str]) -> Callable[[re.Match[str]], str]:
    return lambda match: f"{match[1]}{match[2]}{identities.get(match[3], match[3])}{match[2]}"


def local_target(reference: str, base: str) -> str | None:
    """Return `Type/id` where `reference` is a literal one to this endpoint, else None."""
    match = _LITERAL.fullmatch(reference.removeprefix(f"{base}/"))
    if match is None or match[1] not in RESOURCE_TYPES:
        return None
    return f"{match[1]}/{match[2]}"


def is_elsewhere(reference: str) -> bool:
    """Return whether `reference` points into its own resource or to a server that is not this one."""
    if reference.startswith("#"):
        return True
    return _ABSOLUTE.match(reference) is not None and not reference.startswith("urn:")


def conditional_query(reference: str) -> tuple[str, str] | None:
    """Return type and query of a conditional reference such as `Patient?identifier=a|b`, else None."""
    resource_type, mark, query = reference.partition("?")
    return (resource_type, query) if mark and resource_type in RESOURCE_TYPES else None
