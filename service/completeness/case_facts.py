"""Gathers what the conditions of the completeness rules may ask about a case."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from service.records.timeline import Timeline

FACTS: Mapping[str, str] = {
    "arrest": "the case is a cardiac arrest, or nothing says that it was only a rhythm disorder with a pulse",
    "patient_identified": "the patient is named by an identifier",
    "has.shock": "a shock or a cardioversion was delivered",
    "has.epinephrine": "epinephrine was given",
    "has.weight_based_dose": "a dose was calculated from the weight",
    "first_rhythm_shockable": "the first rhythm is shockable; absent where that is not known",
    "any_rhythm_shockable": "a shockable rhythm was seen at some time",
    "circulation_sustained": "the efforts ended with sustained ROSC",
    "died": "the efforts ended with the patient's death",
}
"""The facts beside `case.FIELD` and `has.KIND`, each with what it says; all are true or false."""

_ARREST_KINDS = frozenset(
    (
        "arrest_recognised",
        "compressions_started",
        "compressions_paused",
        "compressor_changed",
        "compression_quality",
        "shock_delivered",
        "circulation_returned",
    )
)
# Utstein counts compressions and defibrillation; a rhythm disorder with a pulse has a list of its own.
_WITH_PULSE_KINDS = frozenset(("cardioversion_delivered", "pacing_started"))


def gather_facts(case: Mapping[str, Any], timeline: Timeline, shockable: Mapping[str, bool]) -> dict[str, Any]:
    """Return the record that conditions read: `case.FIELD` as kept, `has.KIND` where true, and all `FACTS`.

    Events entered in error have no part in them; `shockable` says of each rhythm whether it is.
    """
    kinds = set(timeline.kinds)
    rhythms = [_is_shockable(event.content, shockable) for event in timeline.of_kind("rhythm_assessed")]
    medications = [event.content for event in timeline.of_kind("medication_given")]
    # An outcome in the client's own words is an object and matches none of ours.
    outcomes = [event.content.get("outcome") for event in timeline.of_kind("efforts_ended")]
    facts: dict[str, Any] = {
        "arrest": bool(kinds & _ARREST_KINDS) or not kinds & _WITH_PULSE_KINDS,
        "patient_identified": "identifier" in (case.get("patient") or {}),
        "has.shock": bool(kinds & {"shock_delivered", "cardioversion_delivered"}),
        "has.epinephrine": any(content.get("agent") == "epinephrine" for content in medications),
        "has.weight_based_dose": any(_is_weight_based(content) for content in medications),
        "any_rhythm_shockable": any(rhythms),
        "circulation_sustained": "circulation_sustained" in outcomes,
        "died": "died" in outcomes,
    }
    # Where the first rhythm was not determined, a later one does not take its place.
    if rhythms and rhythms[0] is not None:
        facts["first_rhythm_shockable"] = rhythms[0]
    facts.update((f"has.{kind}", True) for kind in kinds)
    facts.update((f"case.{name}", value) for name, value in case.items() if value is not None)
    return facts


def _is_shockable(content: Mapping[str, Any], shockable: Mapping[str, bool]) -> bool | None:
    """Return whether the rhythm is shockable: as its word says, else as the client says, else None."""
    rhythm = content.get("rhythm")
    said = content.get("shockable")
    return shockable.get(rhythm, said) if isinstance(rhythm, str) else said


def _is_weight_based(content: Mapping[str, Any]) -> bool:
    return content.get("weight_based") is True or "/kg" in str(content.get("dose_unit", ""))
