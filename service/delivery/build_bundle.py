"""Builds the transaction Bundle of a batch; the same arguments always give the same bytes."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote

from service.delivery.read_capabilities import TYPES_WITHOUT_IDENTIFIER
from service.exact_json import read_json, write_json
from service.records.references import type_and_id
from service.settings import Strategy

UUID_SYSTEM = "urn:ietf:rfc:3986"

_URN = "urn:uuid:"
_VERSION_AT = 14
"""Where in a UUID its version is. Ours are of version 5; version 8 is free for any use (RFC 9562)."""


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


def sendable(
    resources: Sequence[Outgoing], strategy: Strategy, left_out: Collection[str] = frozenset()
) -> list[Outgoing]:
    """Return those of the resources that can arrive exactly once by the strategy and are not of a type left out."""
    unsent = frozenset(left_out) if strategy is Strategy.CLIENT_IDS else TYPES_WITHOUT_IDENTIFIER | set(left_out)
    return [resource for resource in resources if resource.resource_type not in unsent]


def build_bundle(
    resources: Sequence[Outgoing],
    strategy: Strategy,
    base: str,
    remote_ids: Mapping[str, str],
    left_out: Collection[str] = frozenset(),
) -> bytes:
    """Return the transaction Bundle that brings `resources` to the server at `base`.

    With ids of our own choice the bytes of each resource go out untouched. Otherwise the id is left out, and
    references point to the ids that the server has given (`remote_ids`: our reference to its id) or, inside the
    Bundle, to the fullUrl. A reference to a resource of a type that is left out names its identifier, since
    nothing will ever stand at its address.
    """
    names = _Names(
        strategy, base.rstrip("/"), remote_ids, {each.reference for each in resources}, frozenset(left_out)
    )
    entry = _client_id_entry if strategy is Strategy.CLIENT_IDS else _conditional_entry
    entries = [entry(resource, names) for resource in resources]
    return b'{"resourceType":"Bundle","type":"transaction","entry":[' + b",".join(entries) + b"]}"


@dataclass(frozen=True, slots=True)
class _Names:
    """How the resources of one Bundle are named at the server."""

    strategy: Strategy
    base: str
    remote_ids: Mapping[str, str]
    within: Collection[str]
    left_out: frozenset[str]


def _entry(full_url: str, body: bytes, request: Mapping[str, str]) -> bytes:
    return (
        b'{"fullUrl":' + write_json(full_url) + b',"resource":' + body + b',"request":' + write_json(request) + b"}"
    )


def _client_id_entry(resource: Outgoing, names: _Names) -> bytes:
    body = resource.body
    if names.left_out:
        body = write_json(_with_their_references(read_json(body), names))
    request = {"method": "PUT", "url": resource.reference}
    return _entry(f"{names.base}/{resource.reference}", body, request)


def identifier_condition(resource_id: str) -> str:
    """Return the search that finds a resource of ours by its identifier."""
    return f"identifier={quote(UUID_SYSTEM, safe='')}%7C{quote(f'urn:uuid:{resource_id}', safe='')}"


def entry_urn(resource_id: str) -> str:
    """Return the fullUrl of a resource that the server is to name: our id as a UUID of version 8.

    It differs from the resource's identifier. A server puts the id that it gives in the place of a fullUrl, and
    some do so in identifiers too: no condition would find the resource again, and it would arrive twice.
    """
    return f"{_URN}{resource_id[:_VERSION_AT]}8{resource_id[_VERSION_AT + 1 :]}"


def resource_id_of(full_url: str) -> str:
    """Return our id of the resource that has this fullUrl in a Bundle of ours."""
    if not full_url.startswith(_URN):
        return full_url.rpartition("/")[2]
    resource_id = full_url.removeprefix(_URN)
    return f"{resource_id[:_VERSION_AT]}5{resource_id[_VERSION_AT + 1 :]}"


def _conditional_entry(resource: Outgoing, names: _Names) -> bytes:
    body = read_json(resource.body)
    del body["id"]
    condition = identifier_condition(resource.resource_id)
    request: dict[str, str]
    known = names.remote_ids.get(resource.reference)
    if known is not None:
        body["id"] = known
        request = {"method": "PUT", "url": f"{resource.resource_type}/{known}"}
    elif names.strategy is Strategy.CONDITIONAL_UPDATE:
        request = {"method": "PUT", "url": f"{resource.resource_type}?{condition}"}
    else:
        request = {"method": "POST", "url": resource.resource_type, "ifNoneExist": condition}
    return _entry(entry_urn(resource.resource_id), write_json(_with_their_references(body, names)), request)


def _with_their_references(value: Any, names: _Names) -> Any:
    """Return a copy of a resource whose references name what the server knows."""
    if isinstance(value, dict):
        copied = {name: _with_their_references(member, names) for name, member in value.items()}
        reference = copied.get("reference")
        return _their_reference(copied, reference, names) if isinstance(reference, str) else copied
    if isinstance(value, list):
        return [_with_their_references(item, names) for item in value]
    return value


def _their_reference(value: dict[str, Any], reference: str, names: _Names) -> dict[str, Any]:
    resource_type, resource_id = type_and_id(reference)
    if resource_type in names.left_out:
        rest = {name: member for name, member in value.items() if name != "reference"}
        identifier = {"system": UUID_SYSTEM, "value": f"urn:uuid:{resource_id}"}
        return {"type": resource_type, "identifier": identifier, **rest}
    if names.strategy is Strategy.CLIENT_IDS:
        return value
    if reference in names.within and reference not in names.remote_ids:
        return {**value, "reference": entry_urn(resource_id)}
    return {**value, "reference": f"{resource_type}/{names.remote_ids.get(reference, resource_id)}"}
