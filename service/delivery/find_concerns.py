"""Finds which resources, and which of their elements, a server's OperationOutcome speaks of."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from service.delivery.build_bundle import Outgoing

_IN_BUNDLE = re.compile(
    r"Bundle\.entry\[(?P<entry>\d{1,4})\](?P<rest>(?:\.resource\b)?"
    # How servers say the type beside the path: .ofType(Patient), or a comment /*Patient/7*/.
    r"(?:\.ofType\(\w+\)|/\*[^*]*\*/)?(?P<path>(?:\.[A-Za-z].*)?))"
)
_PATH = re.compile(r"[A-Za-z][\w.\[\]()':-]{0,300}")


@dataclass(frozen=True, slots=True)
class Concern:
    """A resource of ours that an outcome speaks of; `path` is the FHIRPath of the element, or the type alone."""

    resource: str
    path: str


def find_concerns(
    outcome: Mapping[str, Any], sent: Sequence[Outgoing], failed_entry: int | None = None
) -> list[Concern]:
    """Return what the issues of an outcome speak of, among the resources in the order of the Bundle's entries.

    An expression counts where it names an entry of the Bundle, or begins with the type of the only resource that
    it can mean: that of `failed_entry`, or the only one of its type that was sent. What cannot be told apart is
    left out, never guessed.
    """
    found = dict.fromkeys(
        concern
        for expression in _expressions(outcome)
        if (concern := _concern(expression, sent, failed_entry)) is not None
    )
    if not found and failed_entry is not None and failed_entry < len(sent):
        found = {Concern(sent[failed_entry].reference, sent[failed_entry].resource_type): None}
    return list(found)


def _expressions(outcome: Mapping[str, Any]) -> Iterator[str]:
    issues = outcome.get("issue")
    for issue in issues if isinstance(issues, list) else []:
        # `location` is what R4 deprecates; some servers fill it alone, with the same paths.
        for name in ("expression", "location"):
            listed = issue.get(name) if isinstance(issue, dict) else None
            yield from (item for item in (listed if isinstance(listed, list) else []) if isinstance(item, str))


def _concern(expression: str, sent: Sequence[Outgoing], failed_entry: int | None) -> Concern | None:
    in_bundle = _IN_BUNDLE.fullmatch(expression)
    if in_bundle is not None:
        place = int(in_bundle["entry"])
        if place >= len(sent):
            return None
        path = in_bundle["path"]
        # A path about the entry itself, such as .request, is none in the resource.
        return _made(sent[place], path if ".resource" in in_bundle["rest"] else "")
    resource_type, dot, rest = expression.partition(".")
    if failed_entry is not None and failed_entry < len(sent):
        candidates = [sent[failed_entry]] if sent[failed_entry].resource_type == resource_type else []
    else:
        candidates = [resource for resource in sent if resource.resource_type == resource_type]
    return _made(candidates[0], dot + rest) if len(candidates) == 1 else None


def _made(resource: Outgoing, path: str) -> Concern:
    whole = resource.resource_type + path
    # The paths of an outcome are the server's text; one that is no path is cut off, since it may repeat a value.
    return Concern(resource.reference, whole if _PATH.fullmatch(whole) else resource.resource_type)
