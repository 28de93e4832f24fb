"""fhirkit (PyPI's fhirkit-rs), a reader in Rust: structure, types and cardinality of all R4 resources."""

from __future__ import annotations

from typing import Any

import fhirkit

from service.exact_json import write_json
from tests.support.verdict import Issue, Verdict


def read_with_fhirkit(resource: dict[str, Any]) -> Verdict:
    """Return fhirkit's verdict over the resource's own bytes, its digits included."""
    try:
        found = fhirkit.validate(write_json(resource))
    except fhirkit.ParseError as error:
        return Verdict((Issue("fatal", "", str(error)),))
    return Verdict(tuple(Issue(issue.severity, issue.path, issue.message) for issue in found))
