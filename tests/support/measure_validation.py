"""Measures what docs/validation.md shows: every set of resources before every reader."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from service.checking.check_resource import check_resource
from tests.checking.more_bad_resources import bad_resources_by_category
from tests.published.ucum_strings import HL7_TAKES_MORE, INVALID, OURS_TAKES_LESS, OURS_TAKES_MORE, VALID
from tests.support.fhirkit_reader import read_with_fhirkit
from tests.support.known_differences import (
    BAD_BUT_TAKEN_BY_BOTH,
    BAD_BUT_TAKEN_BY_HL7,
    BAD_BUT_TAKEN_BY_THE_TABLE,
    BEYOND_THE_TABLE,
    GOOD_BUT_REFUSED_BY_THE_TABLE,
    UNSEEN_INVARIANTS,
)
from tests.support.reader_process import ReaderProcess
from tests.support.second_reader import second_reading
from tests.support.validation_page import table
from tests.support.validator_remarks import REMARKS, count_remarks
from tests.support.verdict import Issue, Verdict
from tests.support.vital_sign_profiles import VitalSign

Resource = dict[str, Any]
READERS = ("our table", "fhir.resources", "fhirkit", "npm fhir", "HL7's validator")


@dataclass(frozen=True, slots=True)
class Readers:
    """The readers that are kept warm in processes of their own."""

    hl7: ReaderProcess
    npm: ReaderProcess

    def refusals(self, resources: Sequence[Resource]) -> tuple[dict[str, list[bool]], list[Verdict]]:
        """Return, by reader, whether it refuses each of the resources, and the verdicts of HL7's validator."""
        verdicts = self.hl7.validate(resources)
        refused = {
            "our table": [is_refused_by_table(resource) for resource in resources],
            "fhir.resources": [
                any(finding.severity == "error" for finding in second_reading(resource)) for resource in resources
            ],
            "fhirkit": [not read_with_fhirkit(resource).accepted for resource in resources],
            "npm fhir": [not verdict.accepted for verdict in self.npm.validate(resources)],
            "HL7's validator": [not verdict.accepted for verdict in verdicts],
        }
        return refused, verdicts


def is_refused_by_table(resource: Resource) -> bool:
    """Return whether the service's own gate refuses a resource."""
    return any(finding.severity == "error" for finding in check_resource(resource))


@dataclass(frozen=True, slots=True)
class ReadSet:
    """One set of resources after all readers: how many each refused, and what HL7's validator said."""

    name: str
    resources: int
    types: Mapping[str, int]
    refused: Mapping[str, int]
    issues: tuple[Issue, ...]


def read_set(name: str, resources: Sequence[Resource], readers: Readers) -> ReadSet:
    """Return what all readers say of a set of resources."""
    refused, verdicts = readers.refusals(resources)
    return ReadSet(
        name,
        len(resources),
        Counter(resource["resourceType"] for resource in resources),
        {reader: sum(said) for reader, said in refused.items()},
        tuple(issue for verdict in verdicts for issue in verdict.issues),
    )


def sets_block(sets: Sequence[ReadSet]) -> str:
    """Return the block of how many resources of which types each reader refused."""
    rows = [(each.name, each.resources, *(each.refused[reader] for reader in READERS)) for each in sets]
    types = sorted({kind for each in sets for kind in each.types})
    by_type = [(kind, *(each.types.get(kind, 0) for each in sets)) for kind in types]
    return "\n\n".join(
        [
            table(("set", "resources", *(f"refused by {reader}" for reader in READERS)), rows),
            table(("type", *(each.name for each in sets)), by_type),
        ]
    )


def remarks_block(sets: Sequence[ReadSet]) -> str:
    """Return the block of remarks that are no errors, with how often each was made and why it stands."""
    counted = [count_remarks(each.issues) for each in sets]
    rows = [
        (remark.name, remark.severity, *(count[remark.name] for count in counted), remark.why) for remark in REMARKS
    ]
    return table(("remark", "severity", *(each.name for each in sets), "why it stands"), rows)


@dataclass(frozen=True, slots=True)
class VitalSignVerdicts:
    """What the official profile of a vital sign says of our resources, and of one of them spoiled in many ways."""

    sign: VitalSign
    ours: int
    accepted: int
    spoiled: int
    refused: int


def without_profile(resource: Resource) -> Resource:
    """Return the resource without its own claim, so that only the profile counts that is named by its URL."""
    return {name: value for name, value in resource.items() if name != "meta"}


def judge_vital_sign(sign: VitalSign, resources: Sequence[Resource], hl7: ReaderProcess) -> VitalSignVerdicts:
    """Return the verdicts of the profile over all resources of the vital sign; there must be at least one."""
    ours = [without_profile(resource) for resource in resources if sign.is_of(resource)]
    spoiled = list(sign.all_spoiled(ours[0]).values())
    accepted, refused = (hl7.validate(some, profiles=[sign.url]) for some in (ours, spoiled))
    return VitalSignVerdicts(
        sign,
        len(ours),
        sum(verdict.accepted for verdict in accepted),
        len(spoiled),
        sum(not verdict.accepted for verdict in refused),
    )


def vital_signs_block(verdicts: Sequence[VitalSignVerdicts]) -> str:
    """Return the block of vital signs and their profiles."""
    rows = [
        (
            said.sign.title,
            f"`{said.sign.url}`",
            f"{said.accepted} of {said.ours}",
            f"{said.refused} of {said.spoiled}",
        )
        for said in verdicts
    ]
    return table(("vital sign", "profile", "our resources accepted", "spoiled ones refused"), rows)


@dataclass(frozen=True, slots=True)
class BadVerdicts:
    """Which of the bad resources each reader refuses: reader to the numbers of the resources."""

    by_category: Mapping[str, Sequence[str]]
    refused: Mapping[str, frozenset[str]]

    def taken_by(self, reader: str) -> set[str]:
        """Return the numbers of the bad resources that a reader takes."""
        return {number for numbers in self.by_category.values() for number in numbers} - self.refused[reader]


def judge_bad_resources(readers: Readers) -> BadVerdicts:
    """Return the verdicts of all readers over all bad resources."""
    categories = bad_resources_by_category()
    cases = [case for cases in categories.values() for case in cases]
    said, _ = readers.refusals([case[1]() for case in cases])
    numbers = [number_of(case[0]) for case in cases]
    return BadVerdicts(
        {category: [number_of(case[0]) for case in some] for category, some in categories.items()},
        {
            reader: frozenset(number for number, is_refused in zip(numbers, refused, strict=True) if is_refused)
            for reader, refused in said.items()
        },
    )


def number_of(name: str) -> str:
    """Return the number with which the name of a bad resource begins."""
    return name.split(maxsplit=1)[0]


def bad_block(verdicts: BadVerdicts) -> str:
    """Return the block of the share of bad resources that each reader refuses, by category."""
    rows: list[Sequence[object]] = [
        (
            category,
            len(numbers),
            *(sum(number in verdicts.refused[reader] for number in numbers) for reader in READERS),
        )
        for category, numbers in verdicts.by_category.items()
    ]
    total = sum(map(len, verdicts.by_category.values()))
    sums = [len(verdicts.refused[reader]) for reader in READERS]
    rows.append(("**all**", total, *(f"{count} ({count / total:.0%})" for count in sums)))
    return table(("category", "resources", *READERS), rows)


@dataclass(frozen=True, slots=True)
class HeldOut:
    """The verdicts over resources that nobody here wrote: by folder, the paths that HL7's validator takes."""

    taken: Mapping[str, frozenset[str]]
    refused_by_table: Mapping[str, frozenset[str]]
    fit_nobody: int

    @property
    def differences(self) -> set[str]:
        """Return the paths of what HL7's validator takes and the table refuses."""
        return set().union(*self.refused_by_table.values())


def judge_held_out(resources: Mapping[str, Resource], hl7: ReaderProcess) -> HeldOut:
    """Return the verdicts of HL7's validator and the table over resources by their paths."""
    accepted = {
        path for path, verdict in zip(resources, hl7.validate(resources.values()), strict=True) if verdict.accepted
    }
    folders = sorted({_folder(path) for path in resources})
    taken = {folder: frozenset(path for path in accepted if _folder(path) == folder) for folder in folders}
    refused = {
        folder: frozenset(path for path in paths if is_refused_by_table(resources[path]))
        for folder, paths in taken.items()
    }
    return HeldOut(taken, refused, len(resources) - len(accepted))


def _folder(path: str) -> str:
    parts = path.split("/")
    return "/".join(parts[:2]) if parts[0] in ("r4", "r4b") and len(parts) > 2 else parts[0]


def held_out_block(held_out: HeldOut) -> str:
    """Return the block of held-out resources that HL7's validator takes, and what the table says of them."""
    rows = [
        (f"`{folder}`", len(paths), len(held_out.refused_by_table[folder]))
        for folder, paths in held_out.taken.items()
    ]
    rows.append(
        ("**all**", sum(map(len, held_out.taken.values())), len(held_out.differences)),
    )
    return table(("folder of the test cases", "taken by HL7's validator", "of these refused by our table"), rows)


def differences_block() -> str:
    """Return the block of every difference between HL7's validator and the table, with its reason."""
    rows = [
        *(
            (f"bad: {what} ({_numbers(numbers)})", "takes", "refuses", why)
            for what, (numbers, why) in BAD_BUT_TAKEN_BY_HL7.items()
        ),
        *((f"bad: {number}", "refuses", "takes", why) for number, why in BAD_BUT_TAKEN_BY_THE_TABLE.items()),
        *((f"bad: {number}", "takes", "takes", why) for number, why in BAD_BUT_TAKEN_BY_BOTH.items()),
        *((f"bad: {key}, number {place + 1}", "takes", "refuses", why)
          for (key, place), why in UNSEEN_INVARIANTS.items()),
        *((f"mutants: “{words}”", "refuses", "takes", why) for words, why in BEYOND_THE_TABLE.items()),
        *(
            (f"held out: {what.strip()} ({', '.join(f'`{path}`' for path in paths)})", "takes", "refuses", why)
            for what, (paths, why) in GOOD_BUT_REFUSED_BY_THE_TABLE.items()
        ),
    ]  # fmt: skip
    return table(("resources", "HL7's validator", "our table", "why"), rows)


def _numbers(numbers: Sequence[str]) -> str:
    return ", ".join(numbers)


def quantity_in(code: str) -> Resource:
    """Return an Observation whose value has a unit of this UCUM code."""
    return {
        "resourceType": "Observation",
        "status": "final",
        "code": {"text": "a quantity"},
        "valueQuantity": {"value": 1, "system": "http://unitsofmeasure.org", "code": code},
    }


def is_unit_for_hl7(hl7: ReaderProcess, codes: Sequence[str]) -> dict[str, bool]:
    """Return whether HL7's validator takes each of the codes for UCUM."""
    verdicts = hl7.validate([quantity_in(code) for code in codes])
    return {code: verdict.accepted for code, verdict in zip(codes, verdicts, strict=True)}


def units_block(judges: Mapping[str, Callable[[str], bool]], own: Sequence[str]) -> str:
    """Return the block of unit strings: how many of each list every judge takes; `own` are our units."""
    rows = [
        (
            name,
            f"{sum(map(judge, own))} of {len(own)}",
            f"{sum(map(judge, VALID))} of {len(VALID)}",
            f"{sum(map(judge, INVALID))} of {len(INVALID)}",
        )
        for name, judge in judges.items()
    ]
    counts = table(("judge", "our units taken", "valid strings taken", "invalid strings taken"), rows)
    differences = {
        "ucum-lhc": {**OURS_TAKES_LESS, **OURS_TAKES_MORE},
        "HL7's validator": HL7_TAKES_MORE,
    }
    named = [f"- {judge}: `{code}`: {why}" for judge, codes in differences.items() for code, why in codes.items()]
    return "\n".join([counts, "", "Where the others differ from ucumvert, by which intake judges:", "", *named])
