"""The stages: vocabulary, compiled mappings and rules, loaded once at the start and never changed."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from service.checking.node_check import remember_constants
from service.completeness.load_rules import CompletenessRules, load_rules
from service.data_folders import data_folder
from service.mapping.load_mappings import Mappings, load_mappings
from service.plausibility.load_plausibility import PlausibilityRules, load_plausibility
from service.problems import WrongMapping, gathered
from service.vocabulary.load_vocabulary import Vocabulary, read_vocabulary
from service.vocabulary.mapping_data import read_mapping_data


@dataclass(frozen=True, slots=True)
class Stages:
    """The vocabulary, the compiled mappings and the rules; `source` is the URI of this installation.

    `remembered` is a cache for what is derived from kept records and asked for again and again. Whoever uses it
    names in the key everything from which the value follows, so that it can never be out of date.
    """

    vocabulary: Vocabulary
    mappings: Mappings
    rules: CompletenessRules
    plausibility: PlausibilityRules
    source: str
    remembered: dict[tuple[str, ...], Any] = field(default_factory=dict)


def load_stages(source: str, overlay: Path | None = None) -> Stages:
    """Return the stages compiled from the mapping data as `overlay` changes them.

    Raises WrongMapping with every fault in both of them that can be seen at once.
    """
    data = read_mapping_data(data_folder("mappings"), overlay)
    faults = list(data.faults)
    with gathered(faults):
        vocabulary = read_vocabulary(data)
        with gathered(faults):
            mappings = load_mappings(vocabulary)
        with gathered(faults):
            rules = load_rules(vocabulary)
        with gathered(faults):
            plausibility = load_plausibility(data.folder / "plausibility.yaml", vocabulary)
    if faults:
        raise WrongMapping(dict.fromkeys(faults))
    remember_constants(
        concept.codeable_concept for table in vocabulary.tables.values() for concept in table.concepts.values()
    )
    remember_constants(mappings.constants())
    return Stages(vocabulary, mappings, rules, plausibility, source)
