"""Every remark, not an error, that HL7's validator may make about our resources, with its explanation.

docs/validation.md shows this table; a remark that no line of it matches fails the interop suite.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

from tests.support.verdict import Issue


@dataclass(frozen=True, slots=True)
class Remark:
    """One kind of remark: a short name, the pattern of its words, and why it stands."""

    name: str
    severity: str
    pattern: str
    why: str

    def fits(self, issue: Issue) -> bool:
        """Return whether `issue` is a remark of this kind."""
        return issue.severity == self.severity and re.search(self.pattern, issue.text) is not None


REMARKS = (
    Remark(
        "no narrative",
        "warning",
        r"^Constraint failed: dom-6: ",
        "R4 recommends a narrative for people. We send data for a chart that shows them itself; a text that "
        "repeats the data could differ from them.",
    ),
    Remark(
        "no performer",
        "warning",
        r"^Best Practice Recommendation: In general, all observations should have a performer",
        "No recorder was named, or a device measured by itself; the service never invents a performer.",
    ),
    Remark(
        "no subject",
        "warning",
        r"^Best Practice Recommendation: In general, all observations should have a subject",
        "A clock was compared, but its device is not named.",
    ),
    Remark(
        "code system not at hand",
        "warning",
        r"^CodeSystem is unknown and can't be validated: "
        r"(http://loinc\.org|urn:iso:std:iso:11073:10101|http://www\.whocc\.no/atc|"
        r"http://www\.nlm\.nih\.gov/research/umls/rxnorm|urn:example:|urn:oid:2\.16\.840\.1\.113883\.19\.5|urn:uuid:4b6f|"
        r"https://codes\.hospital\.example/)",
        "The code systems of others are not part of FHIR's definitions and cannot be looked up offline: codes of "
        "LOINC, ISO/IEEE 11073, RxNorm and ATC, and those of a client's own system, are not checked here.",
    ),
    Remark(
        "vital sign with a second coding",
        "warning",
        r"^None of the codings provided are in the value set 'Vital Signs' .*urn:iso:std:iso:11073:10101#",
        "The LOINC code that the profile needs is in the value set, but there are other codings too (ISO/IEEE "
        "11073, for oxygen saturation a second LOINC code). Offline, the validator stops at a coding that it "
        "cannot look up. With the profile's code alone there is no remark; a test shows this.",
    ),
    Remark(
        "not a slice of a profile",
        "information",
        r"^This element does not match any known slice defined in the profile ",
        "The profile allows more than it names: the mean pressure besides systolic and diastolic, a coding in "
        "ISO/IEEE 11073 besides the one in LOINC.",
    ),
    Remark(
        "years far away",
        "warning",
        r"^The value '[^']*' is outside the range of reasonable years - check for data entry error",
        "Intake takes times from 1950 to 2199, and the generated records use them all.",
    ),
    Remark(
        "white space at the ends",
        "warning",
        r"^value should not start or finish with whitespace ",
        "Texts of a client are sent as they were written.",
    ),
    Remark(
        "what looks like HTML in a string",
        "information",
        r"^The string value contains text that looks like embedded HTML tags",
        "Texts of a client are sent as they were written; the program that shows them must escape them.",
    ),
    Remark(
        "what looks like HTML in a note",
        "warning",
        r"^The markdown contains content that appears to be an embedded HTML tag",
        "The same for notes, which FHIR reads as markdown.",
    ),
    Remark(
        "direction that nothing ends",
        "warning",
        r"^The Unicode sequence has unterminated bi-di control characters",
        "The same for characters that change the direction of writing.",
    ),
)


def remark_of(issue: Issue) -> Remark | None:
    """Return the explained remark that `issue` is; None where nothing explains it."""
    return next((remark for remark in REMARKS if remark.fits(issue)), None)


def unexplained(issues: Iterable[Issue]) -> list[str]:
    """Return the issues, errors left out, that no remark explains, each once."""
    return sorted({str(issue) for issue in issues if not issue.is_error and remark_of(issue) is None})


def count_remarks(issues: Iterable[Issue]) -> Counter[str]:
    """Return how often each explained remark was made, by its name."""
    found = (remark_of(issue) for issue in issues if not issue.is_error)
    return Counter(remark.name for remark in found if remark is not None)
