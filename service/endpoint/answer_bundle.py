"""The answer to a transaction, entry by entry."""

from __future__ import annotations

from collections.abc import Sequence
from http import HTTPStatus
from typing import Any

from service.endpoint.write_steps import Done


def transaction_response(done: Sequence[Done]) -> dict[str, Any]:
    """Return the transaction-response that says what became of each step."""
    return {
        "resourceType": "Bundle",
        "type": "transaction-response",
        "entry": [{"response": _response(one)} for one in done],
    }


def _response(done: Done) -> dict[str, str]:
    status = {"status": f"{done.status} {HTTPStatus(done.status).phrase}"}
    if done.version is None:
        return status
    version = done.version
    return {**status, "location": version.location, "etag": version.etag, "lastModified": version.updated_at}
