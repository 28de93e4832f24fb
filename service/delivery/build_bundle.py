"""Builds the transaction Bundle of a batch; the same arguments always give the same bytes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote

from service.exact_json import read_json, write_json
from service.settings import Strategy

_WITHOUT_IDENTIFIER = frozenset({"Provenance"})
"""Types that R4 gives no identifier, so that no condition can tell whether one has arrived already."""

UUID_SYSTEM = "urn:ietf:rfc:3986"


@dataclass(frozen=True, slots=True)
class Outgoing:
    """One resource on its way: its own id, and the bytes that were made of it."""

    resource_type: str
    resource_id: str
    body: bytes

    @property
    def reference(self) -> str:
        """Return the reference by which our other resources name it."""
        return f"{self.resource_type}/{self.resource_id}"


def sendable(resources: Sequence[Outgoing], strategy: Strategy) -> list[Outgoing]:
    """Return those of the resources that can arrive exactly once by the strategy."""
    if strategy is Strategy.CLIENT_IDS:
        return list(resources)
    return [resource for resource in resources if resource.resource_type not in _WITHOUT_IDENTIFIER]


def build_bundle(
    resources: Sequence[Outgoing], strategy: Strategy, base: str, remote_ids: Mapping[str, str]
) -> bytes:
    """Return the transaction Bundle that brings `resources` to the server at `base`.

    With ids of our own choice the bytes of each resource go out untouched. Otherwise the id is left out, and
    references point to the ids that the server has given (`remote_ids`: our reference to its id) or, inside the
    Bundle, to the fullUrl.
    """
    entry = _client_id_entry if strategy is Strategy.CLIENT_IDS else _conditional_entry
    within = {resource.reference for resource in resources}
    entries = [entry(resource, strategy, base.rstrip("/"), remote_ids, within) for resource in resources]
    return b'{"resourceType":"Bundle","type":"transaction","entry":[' + b",".join(entries) + b"]}"


def _entry(full_url: str, body: bytes, request: Mapping[str, str]) -> bytes:
    return (
        b'{"fullUrl":' + write_json(full_url) + b',"resource":' + body + b',"request":' + write_json(request) + b"}"
    )


def _client_id_entry(
    resource: Outgoing, _strategy: Strategy, base: str, _remote_ids: Mapping[str, str], _within: set[str]
) -> bytes:
    return _entry(f"{base}/{resource.reference}", resource.body, {"method": "PUT", "url": resource.reference})


def _conditional_entry(
    resource: Outgoing, strategy: Strategy, _base: str, remote_ids: Mapping[str, str], within: set[str]
) -> bytes:
    body = read_json(resource.body)
    del body["id"]
    condition = f"identifier={quote(UUID_SYSTEM, safe='')}%7C{quote(f'urn:uuid:{resource.resource_id}', safe='')}"
    request: dict[str, str]
    known = remote_ids.get(resource.reference)
    if known is not None:
        body["id"] = known
        request = {"method": "PUT", "url": f"{resource.resource_type}/{known}"}
    elif strategy is Strategy.CONDITIONAL_UPDATE:
        request = {"method": "PUT", "url": f"{resource.resource_type}?{condition}"}
    else:
        request = {"method": "POST", "url": resource.resource_type, "ifNoneExist": condition}
    pointed = _with_their_references(body, remote_ids, within)
    return _entry(f"urn:uuid:{resource.resource_id}", write_json(pointed), request)


def _with_their_references(value: Any, remote_ids: Mapping[str, str], within: set[str]) -> Any:
    """Return a copy of a resource whose references name what the server knows."""
    if isinstance(value, dict):
        return {
            name: _their_reference(member, remote_ids, within)
            if name == "reference" and isinstance(member, str)
            else _with_their_references(member, remote_ids, within)
            for name, member in value.items()
        }
    if isinstance(value, list):
        return [_with_their_references(item, remote_ids, within) for item in value]
    return value


def _their_reference(reference: str, remote_ids: Mapping[str, str], within: set[str]) -> str:
    resource_type, _, resource_id = reference.partition("/")
    if reference in within and reference not in remote_ids:
        return f"urn:uuid:{resource_id}"
    return f"{resource_type}/{remote_ids.get(reference, resource_id)}"
