"""Every way in which the service says no, as one tree.

    ServiceProblem
    ├── Rejected      422 …  what cannot be read or is outside the possible range; correct it and send it again
    ├── Conflict      409    it contradicts what is already kept
    ├── Invalid       422    the resource made from it breaks FHIR R4; nothing of it is sent
    ├── Unavailable   503    something that we depend on does not answer; a retry can help
    └── Fault         500    our own mistake; the caller did nothing wrong
    Unmapped          (no refusal) a value that our tables do not have: kept, sent as given, with a warning
    Implausible       (no refusal) an unusual value that may still be true: kept, with a warning to check it
    WrongMapping      (stops the start) a mapping file that cannot be used, with file, line and reason

A problem is a value (`Problem`) with a code that is never reused for another meaning. All problems of one
request travel together in one `ServiceProblem`. HTTP statuses are decided here and nowhere else.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from enum import Enum, StrEnum
from pathlib import Path
from typing import Any


class Kind(StrEnum):
    """The few kinds of problem; each has one place in the tree above."""

    REJECTED = "rejected"
    CONFLICT = "conflict"
    UNMAPPED = "unmapped"
    IMPLAUSIBLE = "implausible"
    INVALID = "invalid"
    UNAVAILABLE = "unavailable"
    FAULT = "fault"


@dataclass(frozen=True, slots=True)
class CodeFacts:
    """What a problem code means: its kind, the HTTP status of a request that fails by it, and its title."""

    code: str
    kind: Kind
    status: int
    title: str


class Code(Enum):
    """The codes of all problems; docs/problems.md explains each of them."""

    BROKEN_JSON = CodeFacts("broken_json", Kind.REJECTED, 400, "The body is not JSON")
    WRONG_CONTENT_TYPE = CodeFacts("wrong_content_type", Kind.REJECTED, 415, "The content type is not JSON")
    BODY_TOO_LARGE = CodeFacts("body_too_large", Kind.REJECTED, 413, "The body is over the limit")
    TOO_MANY_EVENTS = CodeFacts("too_many_events", Kind.REJECTED, 413, "The array holds too many events")
    MISSING_REQUIRED = CodeFacts("missing_required", Kind.REJECTED, 422, "A required field is missing")
    UNKNOWN_FIELD = CodeFacts("unknown_field", Kind.REJECTED, 422, "A field is unknown for this record")
    UNKNOWN_KIND = CodeFacts("unknown_kind", Kind.REJECTED, 422, "The event kind is not known")
    WRONG_TYPE = CodeFacts("wrong_type", Kind.REJECTED, 422, "A value is of the wrong type")
    WRONG_FORM = CodeFacts("wrong_form", Kind.REJECTED, 422, "A value is not in the required form")
    TIME_WITHOUT_OFFSET = CodeFacts("time_without_offset", Kind.REJECTED, 422, "A time has no offset")
    UNKNOWN_CODE = CodeFacts("unknown_code", Kind.REJECTED, 422, "A word is not on the list of its field")
    UNIT_NOT_UCUM = CodeFacts("unit_not_ucum", Kind.REJECTED, 422, "A unit is not UCUM")
    UNIT_NOT_TAKEN = CodeFacts("unit_not_taken", Kind.REJECTED, 422, "This unit is not allowed for this field")
    IMPOSSIBLE_VALUE = CodeFacts("impossible_value", Kind.REJECTED, 422, "A value is outside the possible range")
    CONTRADICTION = CodeFacts("contradiction", Kind.REJECTED, 422, "Values of one record contradict each other")
    UNKNOWN_CASE = CodeFacts("unknown_case", Kind.REJECTED, 404, "There is no such case")
    UNKNOWN_EVENT = CodeFacts("unknown_event", Kind.REJECTED, 404, "There is no such event")
    UNKNOWN_DEVICE = CodeFacts("unknown_device", Kind.REJECTED, 404, "There is no such device")
    UNKNOWN_DELIVERY = CodeFacts("unknown_delivery", Kind.REJECTED, 404, "There is no such delivery")
    UNKNOWN_ENTRY = CodeFacts("unknown_entry", Kind.REJECTED, 404, "There is no such audit entry")
    NOT_FOUND = CodeFacts("not_found", Kind.REJECTED, 404, "There is nothing at this address")
    METHOD_NOT_ALLOWED = CodeFacts(
        "method_not_allowed", Kind.REJECTED, 405, "This address does not take this method"
    )
    WRONG_PARAMETER = CodeFacts("wrong_parameter", Kind.REJECTED, 422, "A query parameter cannot be read")
    NOT_AUTHENTICATED = CodeFacts("not_authenticated", Kind.REJECTED, 401, "No valid token was given")
    NOT_PERMITTED = CodeFacts("not_permitted", Kind.REJECTED, 403, "The token does not have the scope")
    OTHER_CONTENT = CodeFacts("other_content", Kind.CONFLICT, 409, "The id is already used for other content")
    SEALED_FIELD = CodeFacts("sealed_field", Kind.CONFLICT, 409, "This field cannot be changed any more")
    RETRACTED_EVENT = CodeFacts("retracted_event", Kind.CONFLICT, 409, "The event was entered in error")
    STALE_VERSION = CodeFacts("stale_version", Kind.CONFLICT, 412, "The record has been changed in the meantime")
    NOT_HELD = CodeFacts("not_held", Kind.CONFLICT, 409, "Only a held delivery can be retried or discarded")
    UNMAPPED_VALUE = CodeFacts("unmapped_value", Kind.UNMAPPED, 200, "A value has no code in our tables")
    IMPLAUSIBLE = CodeFacts("implausible", Kind.IMPLAUSIBLE, 200, "Unusual value; please check it")
    INVALID_RESOURCE = CodeFacts("invalid_resource", Kind.INVALID, 422, "The FHIR resource would not be valid")
    STORE_UNAVAILABLE = CodeFacts("store_unavailable", Kind.UNAVAILABLE, 503, "The store does not answer")
    DESTINATION_UNAVAILABLE = CodeFacts(
        "destination_unavailable", Kind.UNAVAILABLE, 503, "The FHIR server does not answer"
    )
    INTERNAL_FAULT = CodeFacts("internal_fault", Kind.FAULT, 500, "The service made a mistake")

    @property
    def facts(self) -> CodeFacts:
        """Return what the code means."""
        return self.value

    @property
    def retry_helps(self) -> bool:
        """Return whether the same request can succeed later without being changed."""
        return self.value.kind is Kind.UNAVAILABLE


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong: its code, where it is, what it is, and what would be right.

    `pointer` is a JSON pointer (RFC 6901) into the body that was sent, empty for the whole of it. `rule` names
    the mapping rule or the FHIR rule where one is concerned. The texts may repeat names of fields and words of
    lists, never a clinical value, so that a problem may be logged.
    """

    code: Code
    pointer: str
    message: str
    expected: str = ""
    rule: str | None = None

    def as_json(self) -> dict[str, Any]:
        """Return the problem as the API shows it; what is unknown is left out."""
        members = asdict(self)
        members["code"] = self.code.facts.code
        return {name: value for name, value in members.items() if value is not None}

    def below(self, pointer: str) -> Problem:
        """Return the same problem in a body of which the old one is the part at `pointer`."""
        return Problem(self.code, pointer + self.pointer, self.message, self.expected, self.rule)


class ServiceProblem(Exception):  # noqa: N818 - the tree's words are outcomes, and they read as such.
    """A request that was refused, with everything that was wrong with it."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems: tuple[Problem, ...] = tuple(problems)
        super().__init__(", ".join(problem.code.facts.code for problem in self.problems))

    @property
    def status(self) -> int:
        """Return the HTTP status: that of the first problem, since a request fails at one stage."""
        return self.problems[0].code.facts.status


class Rejected(ServiceProblem):
    """The request cannot be read, is outside the possible range or contradicts itself."""


class Conflict(ServiceProblem):
    """The request contradicts what is kept."""


class Invalid(ServiceProblem):
    """The request maps to a resource that breaks FHIR R4."""


class Unavailable(ServiceProblem):
    """Something that the service depends on does not answer."""


class Fault(ServiceProblem):
    """The service made a mistake."""


_CLASS_OF_KIND = {
    Kind.REJECTED: Rejected,
    Kind.CONFLICT: Conflict,
    Kind.INVALID: Invalid,
    Kind.UNAVAILABLE: Unavailable,
    Kind.FAULT: Fault,
}


def refusal(problems: Sequence[Problem]) -> ServiceProblem:
    """Return the exception for these problems, of the class that the first one's kind names."""
    return _CLASS_OF_KIND[problems[0].code.facts.kind](problems)


def refusal_for(code: Code, pointer: str, message: str, expected: str = "") -> ServiceProblem:
    """Return the exception for one problem."""
    return refusal([Problem(code, pointer, message, expected)])


@dataclass(frozen=True, slots=True)
class MappingFault:
    """One thing that is wrong in a mapping file, and where."""

    file: Path
    line: int
    reason: str

    def __str__(self) -> str:
        return f"{self.file}:{self.line}: {self.reason}"


class WrongMapping(Exception):  # noqa: N818 - it says what is wrong; it stops the start.
    """The mapping data cannot be used; every fault that was found is named with file and line."""

    def __init__(self, faults: Iterable[MappingFault]) -> None:
        self.faults: tuple[MappingFault, ...] = tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))


@contextmanager
def gathered(faults: list[MappingFault]) -> Iterator[None]:
    """Add the faults of what is read inside to `faults`, so that the rest is still read and all are told."""
    try:
        yield
    except WrongMapping as wrong:
        faults.extend(wrong.faults)
