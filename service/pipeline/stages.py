"""What the pipeline works with, loaded once at the start; only `frames` changes, which remembers recent cases."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from service.checking.check_resource import check_resource
from service.checking.node_check import remember_constants
from service.completeness.load_rules import CompletenessRules, load_rules
from service.data_folders import data_folder
from service.mapping.apply_mapping import MadeResource
from service.mapping.load_mappings import Mappings, load_mappings
from service.plausibility.load_plausibility import PlausibilityRules, load_plausibility
from service.problems import Code, Invalid, Problem, WrongMapping, gathered
from service.vocabulary.load_vocabulary import Vocabulary, read_vocabulary
from service.vocabulary.mapping_data import read_mapping_data


@dataclass(frozen=True, slots=True)
class CaseFrame:
    """What all records of one case share: its content, the anchors made from it, and the references to them."""

    case_id: str
    content: Mapping[str, Any]
    resources: tuple[MadeResource, ...]
    shared: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Stages:
    """The vocabulary, the compiled mappings and the rules; `source` is the URI of this installation.

    `frames` remembers the frames of the cases that were used last, by case and version; a version never changes.
    """

    vocabulary: Vocabulary
    mappings: Mappings
    rules: CompletenessRules
    plausibility: PlausibilityRules
    source: str
    frames: dict[tuple[str, int], CaseFrame] = field(default_factory=dict)


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


def check_made(made: Sequence[MadeResource]) -> None:
    """Check every resource against FHIR R4; Invalid with a problem for each error that is found."""
    problems = [
        Problem(
            Code.INVALID_RESOURCE,
            "",
            f"{finding.path}: {finding.message}",
            "a resource that FHIR R4 (4.0.1) allows",
            rule=f"{resource.rule} {finding.rule}",
        )
        for resource in made
        for finding in check_resource(resource.body)
        if finding.severity == "error"
    ]
    if problems:
        raise Invalid(problems)


@dataclass(frozen=True, slots=True)
class Taken:
    """The request was done; `body` is the answer. `repeated` says that it had been done before."""

    status: int
    body: Mapping[str, Any]
    repeated: bool = False


@dataclass(frozen=True, slots=True)
class Refusal:
    """The request was refused, and the refusal is in the audit log with all problems."""

    problems: tuple[Problem, ...] = field(default=())


Answer = Taken | Refusal
