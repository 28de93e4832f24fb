"""A mapping folder of a few kinds, so that the rules are tested apart from the shipped data."""

from __future__ import annotations

from pathlib import Path
from textwrap import dedent

from service.completeness.load_rules import CompletenessRules, load_rules
from service.vocabulary.load_vocabulary import Vocabulary
from tests.support.load_vocabulary import load_vocabulary

_FIELDS = {
    "arrest_recognised": "{witnessed: {type: boolean, says: Seen.}}",
    "compressions_started": "{}",
    "rhythm_assessed": (
        "{rhythm: {type: concept, table: rhythm, says: The rhythm.}, shockable: {type: boolean, says: Shockable.}}"
    ),
    "shock_delivered": "{energy_selected_joules: {type: number, says: The energy.}}",
    "cardioversion_delivered": "{}",
    "pacing_started": "{}",
    "medication_given": (
        "{agent: {type: text, says: Agent.}, dose_value: {type: number, says: Dose.},"
        " dose_unit: {type: text, says: Unit.}, weight_based: {type: boolean, says: By weight.}}"
    ),
    "circulation_returned": "{}",
    "efforts_ended": "{outcome: {type: text, says: Outcome.}, death_at: {type: instant, says: Death.}}",
}

_RHYTHMS = """\
table: rhythm
title: Rhythms
concepts:
  ventricular_fibrillation: {text: VF, attributes: {shockable: true}}
  asystole: {text: Asystole, attributes: {shockable: false}}
  not_determined: {text: Not determined}
"""

_CASE = """\
name: case
title: Case
says: A case.
fields:
  patient: {type: patient, says: The patient.}
  location: {type: text, says: The place.}
  population: {type: text, says: The age group.}
  weight_kilograms: {type: number, says: The weight.}
resources: []
"""

_COMMON = """\
at: {type: instant, required: true, says: When it happened.}
device: {type: text, says: The device.}
stated_unknown: {type: names, says: What is not known.}
"""


def write_vocabulary(folder: Path) -> Vocabulary:
    """Return the vocabulary of a small mapping folder, which this writes."""
    files = {
        "units.yaml": "units: {kg: kg}\noften_written: {}\n",
        "common_fields.yaml": _COMMON,
        "codes/systems.yaml": "RESUS: https://example.org/codes\n",
        "codes/rhythm.yaml": _RHYTHMS,
        "records/case.yaml": _CASE,
        **{
            f"records/{name}.yaml": f"{{name: {name}, title: T, says: S., resources: []}}\n"
            for name in ("device", "check")
        },
        **{
            f"events/{name}.yaml": f"{{name: {name}, title: T, says: S., fields: {fields}, resources: []}}\n"
            for name, fields in _FIELDS.items()
        },
    }
    for name, text in files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(text, encoding="utf-8")
    return load_vocabulary(folder)


def write_rules(folder: Path, text: str) -> CompletenessRules:
    """Return the rules that `text` holds, against the small vocabulary."""
    file = folder / "completeness.yaml"
    file.write_text(dedent(text), encoding="utf-8")
    return load_rules(write_vocabulary(folder))
