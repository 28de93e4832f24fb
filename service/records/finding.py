"""What a reader of the checking stage found in a resource."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, slots=True)
class Finding:
    """One departure of a resource from FHIR R4 (4.0.1).

    `rule` names the rule in the specification's own words where it has a name (`obs-6`, `bdl-7`), else one of
    `unknown-element`, `min`, `max`, `type`, `choice`, `primitive`, `binding`, `reference-target`,
    `reference-syntax`, `unresolved`, `empty`, `sampled-data`, `full-url`, `contained-id`, `model`. `path` is a
    FHIRPath location such as `Observation.component[1].valueQuantity.value`. `message` is a whole sentence that
    never repeats a clinical value.
    """

    rule: str
    path: str
    message: str
    severity: Literal["error", "warning"] = "error"
