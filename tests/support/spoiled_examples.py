"""Examples of the FHIR package, each with one thing spoiled that R4 allows and our profile does not.

Each names the profile, what is done to its fullest example, and how HL7's validator must refuse it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from tests.support.fhir_package import fullest_example

Resource = dict[str, Any]
CATEGORIES = "http://terminology.hl7.org/CodeSystem/observation-category"


@dataclass(frozen=True, slots=True)
class Spoiled:
    """One spoiled example, and the error that must be there: its code (or the end of it), its place, its words."""

    name: str
    profile: str
    spoil: Callable[[Resource], object]
    code: str
    place: str
    words: str

    def resource(self) -> Resource:
        """Return the spoiled example."""
        example = fullest_example(self.profile)
        self.spoil(example)
        return example


def component(resource: Resource, code: str) -> Resource:
    """Return the component of a code."""
    components: list[Resource] = resource["component"]
    [found] = [one for one in components if code in {coding["code"] for coding in one["code"]["coding"]}]
    return found


def _without(*names: str) -> Callable[[Resource], object]:
    def spoil(resource: Resource) -> None:
        for name in names:
            resource.pop(name, None)

    return spoil


def _in_component(code: str, change: Callable[[Resource], object]) -> Callable[[Resource], object]:
    return lambda resource: change(component(resource, code))


def _device_time(resource: Resource) -> list[Resource]:
    """Return the parts of the extension on the time of an Observation."""
    parts: list[Resource] = resource["_effectiveDateTime"]["extension"][0]["extension"]
    return parts


def _part(resource: Resource, url: str) -> Resource:
    [found] = [part for part in _device_time(resource) if part["url"] == url]
    return found


def _set(**members: Any) -> Callable[[Resource], object]:
    return lambda resource: resource.update(members)


def _replace_value(resource: Resource, **value: Any) -> None:
    for name in [name for name in resource if name.startswith("value")]:
        del resource[name]
    resource.update(value)


def _refers(element: str, resource_type: str) -> Callable[[Resource], object]:
    """Return what makes a reference lead to a resource of another type, and say so."""

    def spoil(resource: Resource) -> None:
        held = resource[element]
        target = held[0] if isinstance(held, list) else held
        # HL7's validator looks up no literal reference offline; the type that a reference states, it checks.
        target.update(reference=f"{resource_type}/0c5a3f0e-5a52-4a53-9a66-0f1b9b6e1c01", type=resource_type)

    return spoil


def _medication_of_its_own(resource: Resource) -> None:
    del resource["medicationCodeableConcept"]
    resource["medicationReference"] = {"reference": "Medication/0c5a3f0e-5a52-4a53-9a66-0f1b9b6e1c01"}


def _period(resource: Resource) -> None:
    resource["effectivePeriod"] = {"start": resource.pop("effectiveDateTime")}


SHOCK, ENERGY, RHYTHM = "shock-delivered-details", "shock-energy-selected", "rhythm-assessed-rhythm"
MINIMUM, MAXIMUM = "Validation_VAL_Profile_Minimum", "Validation_VAL_Profile_Maximum"
FIXED, TYPE, PATTERN = "_DT_Fixed_Wrong", "Extension_PROF_Type", "TYPE_CHECKS_PATTERN_CC"
TARGET = "Reference_REF_WrongTarget"
SPOILED = [
    Spoiled(
        "the unit of a shock's energy is kJ",
        SHOCK,
        _in_component(ENERGY, lambda one: one["valueQuantity"].update(unit="kJ", code="kJ")),
        FIXED,
        "Observation.component[0].value.ofType(Quantity).code",
        "Value is 'kJ' but is fixed to 'J'",
    ),
    Spoiled(
        "the energy of a shock is a text",
        SHOCK,
        _in_component(ENERGY, lambda one: _replace_value(one, valueString="200 J")),
        TYPE,
        "Observation.component[0].value.ofType(string)",
        "allows for the type Quantity but found type string",
    ),
    Spoiled(
        "the energy of a shock has no value",
        SHOCK,
        _in_component(ENERGY, _replace_value),
        MINIMUM,
        "Observation.component[0]",
        "Observation.component:energy-selected.value[x]: minimum required = 1, but only found 0",
    ),
    Spoiled(
        "the energy of a shock stands twice",
        SHOCK,
        lambda one: one["component"].append(component(one, ENERGY)),
        MAXIMUM,
        "Observation",
        "Observation.component:energy-selected: max allowed = 1, but found 2",
    ),
    Spoiled(
        "the details of a shock have no component",
        SHOCK,
        _without("component"),
        MINIMUM,
        "Observation",
        "Observation.component: minimum required = 1, but only found 0",
    ),
    Spoiled(
        "the details of a shock have the code of those of an airway",
        SHOCK,
        lambda one: one["code"]["coding"][0].update(code="airway-details", display="Details of an airway"),
        PATTERN,
        "Observation.code",
        "code shock-details",
    ),
    Spoiled(
        "the subject is missing",
        SHOCK,
        _without("subject"),
        MINIMUM,
        "Observation",
        "Observation.subject: minimum required = 1, but only found 0",
    ),
    Spoiled(
        "the time is missing",
        SHOCK,
        _without("effectiveDateTime", "_effectiveDateTime"),
        MINIMUM,
        "Observation",
        "Observation.effective[x]: minimum required = 1, but only found 0",
    ),
    Spoiled(
        "the identifier is missing",
        SHOCK,
        _without("identifier"),
        MINIMUM,
        "Observation",
        "Observation.identifier: minimum required = 1, but only found 0",
    ),
    Spoiled(
        "the resuscitation is not named",
        RHYTHM,
        _without("partOf"),
        MINIMUM,
        "Observation",
        "Observation.partOf: minimum required = 1, but only found 0",
    ),
    Spoiled(
        "a moment has become a period",
        RHYTHM,
        _period,
        TYPE,
        "Observation.effective.ofType(Period)",
        "allows for the type dateTime but found type Period",
    ),
    Spoiled(
        "the subject is a group",
        RHYTHM,
        _refers("subject", "Group"),
        TARGET,
        "Observation.subject",
        "The type 'Group' is not a valid Target",
    ),
    Spoiled(
        "the whole of which it is a part is a medication",
        RHYTHM,
        _refers("partOf", "MedicationAdministration"),
        TARGET,
        "Observation.partOf[0]",
        "The type 'MedicationAdministration' is not a valid Target",
    ),
    Spoiled(
        "the charge of a battery is the patient's",
        "check-item-battery",
        _refers("subject", "Patient"),
        TARGET,
        "Observation.subject",
        "The type 'Patient' is not a valid Target",
    ),
    Spoiled(
        "the category is the laboratory's",
        RHYTHM,
        _set(category=[{"coding": [{"system": CATEGORIES, "code": "laboratory"}]}]),
        PATTERN,
        "Observation.category[0]",
        "code exam",
    ),
    Spoiled(
        "a rhythm has neither a value nor a reason",
        RHYTHM,
        _without("valueCodeableConcept", "dataAbsentReason"),
        "#resus-1",
        "Observation",
        "Constraint failed: resus-1",
    ),
    Spoiled(
        "the start of pacing says that it was stopped",
        "pacing-started-state",
        _set(valueCodeableConcept=fullest_example("pacing-stopped-state")["valueCodeableConcept"]),
        PATTERN,
        "Observation.value.ofType(CodeableConcept)",
        "code pacing-state-started",
    ),
    Spoiled(
        "end-tidal carbon dioxide is in per cent",
        "vital-signs-etco2",
        lambda one: one["valueQuantity"].update(unit="%", code="%"),
        "Terminology_TX_NoValid_12",
        "Observation.value.ofType(Quantity)",
        "was not found in the value set 'Units of etco2'",
    ),
    Spoiled(
        "the depth of compressions is in inches",
        "compression-quality-quality",
        lambda one: component(one, "compression-depth")["valueQuantity"].update(unit="in", code="[in_i]"),
        FIXED,
        "Observation.component[1].value.ofType(Quantity).code",
        "Value is '[in_i]' but is fixed to 'mm'",
    ),
    Spoiled(
        "a team that was called was not called",
        "team-activated-activation",
        _set(valueBoolean=False),
        FIXED,
        "Observation.value.ofType(boolean)",
        "Value is 'false' but is fixed to 'true'",
    ),
    Spoiled(
        "the agent is a resource of its own",
        "medication-given-administration",
        _medication_of_its_own,
        TYPE,
        "MedicationAdministration.medication.ofType(Reference)",
        "allows for the type CodeableConcept but found type Reference",
    ),
    Spoiled(
        "a defibrillation has no category",
        "shock-delivered-shock",
        _without("category"),
        MINIMUM,
        "Procedure",
        "Procedure.category: minimum required = 1, but only found 0",
    ),
    Spoiled(
        "a cardioversion has the code of a defibrillation",
        "cardioversion-delivered-shock",
        _set(code=fullest_example("shock-delivered-shock")["code"]),
        PATTERN,
        "Procedure.code",
        "code 180325003",
    ),
    Spoiled(
        "a record names no source",
        "provenance-of-event",
        _without("entity"),
        MINIMUM,
        "Provenance",
        "Provenance.entity: minimum required = 1, but only found 0",
    ),
]
"""Each is refused for our profile alone: without its claim, R4 allows it."""

SPOILED_EXTENSIONS = [
    Spoiled(
        "the raw time is missing from the extension",
        SHOCK,
        lambda one: _device_time(one).remove(_part(one, "time")),
        "Validation_VAL_Profile_Minimum_SLICE",
        "Observation.effective.ofType(dateTime).extension[0]",
        "Slice 'Extension.extension:time': a matching slice is required, but not found",
    ),
    Spoiled(
        "the raw time in the extension is a text",
        SHOCK,
        lambda one: _replace_value(_part(one, "time"), valueString="10:04"),
        TYPE,
        "Observation.effective.ofType(dateTime).extension[0].extension[0].value.ofType(string)",
        "allows for the type dateTime but found type string",
    ),
    Spoiled(
        "the precision in the extension is in minutes",
        SHOCK,
        lambda one: _part(one, "precision")["valueQuantity"].update(unit="min", code="min"),
        FIXED,
        "Observation.effective.ofType(dateTime).extension[0].extension[3].value.ofType(Quantity).code",
        "Value is 'min' but is fixed to 's'",
    ),
]
"""Each is refused for the extension's own definition, whatever profile is claimed."""
