"""The R4 vital-signs profiles, the resources that we make for each, and a spoiled one that it must refuse."""

from __future__ import annotations

from collections.abc import Callable
from copy import deepcopy
from dataclasses import dataclass
from typing import Any

Resource = dict[str, Any]

_BASE = "http://hl7.org/fhir/StructureDefinition/"


@dataclass(frozen=True, slots=True)
class VitalSign:
    """One profile: its name, the LOINC code by which it is recognised, and a change that breaks it."""

    title: str
    profile: str
    loinc: str
    spoil: Callable[[Resource], object]

    @property
    def url(self) -> str:
        """Return the canonical URL of the official profile."""
        return _BASE + self.profile

    def is_of(self, resource: Resource) -> bool:
        """Return whether `resource` is an Observation of this vital sign."""
        codings = resource.get("code", {}).get("coding", ())
        named = {coding.get("code") for coding in codings if coding.get("system") == "http://loinc.org"}
        return resource["resourceType"] == "Observation" and self.loinc in named

    def all_spoiled(self, resource: Resource) -> dict[str, Resource]:
        """Return copies of `resource`, each of which breaks the profile in one way and R4 in none."""
        changes = {"its own": self.spoil, **dict(EVERY_PROFILE_REFUSES)}
        spoiled = {}
        for what, change in changes.items():
            spoiled[what] = deepcopy(resource)
            change(spoiled[what])
        return spoiled


def _in_other_unit(resource: Resource) -> None:
    resource["valueQuantity"]["code"] = "kPa"


VITAL_SIGNS = (
    VitalSign("heart rate", "heartrate", "8867-4", _in_other_unit),
    VitalSign("respiratory rate", "resprate", "9279-1", _in_other_unit),
    VitalSign("oxygen saturation", "oxygensat", "2708-6", _in_other_unit),
    VitalSign("temperature", "bodytemp", "8310-5", _in_other_unit),
    VitalSign("body weight", "bodyweight", "29463-7", _in_other_unit),
    VitalSign("blood pressure panel", "bp", "85354-9", lambda resource: resource["component"].pop(0)),
)

EVERY_PROFILE_REFUSES: tuple[tuple[str, Callable[[Resource], object]], ...] = (
    ("no category", lambda resource: resource.pop("category")),
    ("another category", lambda resource: resource.update(category=[{"text": "vital signs"}])),
    ("no subject", lambda resource: resource.pop("subject")),
    (
        "no time",
        lambda resource: [resource.pop(name, None) for name in ("effectiveDateTime", "_effectiveDateTime")],
    ),
    ("another code", lambda resource: resource.update(code={"text": resource["code"]["text"]})),
)
"""Changes that break each of the profiles alike."""
