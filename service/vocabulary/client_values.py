"""Values that a client may send inside a field: texts, codings, identifiers, persons; what each of them must be."""

from __future__ import annotations

import re
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, StringConstraints, model_validator
from pydantic_core import PydanticCustomError

from service.problems import Code


def custom_error(code: Code, message: str, expected: str) -> PydanticCustomError:
    """Return the error by which a validator names one of our problems; `read_problems` translates it back."""
    return PydanticCustomError(code.facts.code, "{message}", {"message": message, "expected": expected})


class StrictRecord(BaseModel):
    """A record that takes no field that it does not know, and changes no value that it is given."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


_CONTROLS = r"\x00-\x08\x0B\x0C\x0E-\x1F"
"""The characters below 32 that XML cannot carry, and that R4 strings SHOULD not contain (datatypes, string)."""

SOME_TEXT = rf"^[^{_CONTROLS}]*[^{_CONTROLS}\s][^{_CONTROLS}]*$"
"""The pattern of a text with more than white space and without control characters."""

_URI = rf"^[A-Za-z][A-Za-z0-9+.-]+:[^{_CONTROLS}\s]+$"
_GRAMMARS_OF_URNS = {
    "urn:uuid:": re.compile(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}"),
    "urn:oid:": re.compile(r"[0-2](\.(0|[1-9][0-9]*))+"),
}


def _check_urn(value: str) -> str:
    for prefix, grammar in _GRAMMARS_OF_URNS.items():
        if value.startswith(prefix) and grammar.fullmatch(value.removeprefix(prefix)) is None:
            form = "a UUID" if prefix == "urn:uuid:" else "an OID"
            expected = "a UUID in lower case" if prefix == "urn:uuid:" else "an OID, such as 2.16.840.1.113883"
            raise custom_error(Code.WRONG_FORM, f"{prefix!r} is not followed by {form}", expected)
    return value


Uri = Annotated[str, StringConstraints(pattern=_URI, max_length=400), AfterValidator(_check_urn)]
ShortText = Annotated[str, StringConstraints(min_length=1, max_length=200, pattern=SOME_TEXT)]


class Person(StrictRecord):
    """Who did or recorded something: the role in the team, and the name where it may be kept."""

    role: ShortText | None = None
    name: ShortText | None = None


class CodingValue(StrictRecord):
    """A coding of the client's own, where our tables lack the value."""

    system: Uri
    code: Annotated[str, StringConstraints(pattern=rf"^[^{_CONTROLS}\s]+( [^{_CONTROLS}\s]+)*$", max_length=200)]
    display: ShortText | None = None


class TextValue(StrictRecord):
    """A value in words, where neither our tables nor the client has a code."""

    text: ShortText

    @classmethod
    def is_text(cls, value: str) -> bool:
        """Return whether `value` could stand alone as a text."""
        return 0 < len(value) <= 200 and re.search(SOME_TEXT, value) is not None


class IdentifierValue(StrictRecord):
    """A business identifier, as the hospital's own systems write it."""

    system: Uri
    value: ShortText

    @model_validator(mode="after")
    def _uri_where_the_system_says_so(self) -> IdentifierValue:
        if self.system == "urn:ietf:rfc:3986" and re.search(_URI, self.value) is None:
            raise custom_error(Code.WRONG_FORM, "the system says that the value is a URI", "a URI as the value")
        return self


class PatientValue(StrictRecord):
    """The patient: known by an identifier, or not yet known and carrying a temporary label."""

    identifier: IdentifierValue | None = None
    unidentified: Literal[True] | None = None
    label: ShortText | None = None

    @model_validator(mode="after")
    def _one_way_of_naming(self) -> PatientValue:
        known = self.identifier is not None and self.unidentified is None and self.label is None
        unknown = self.identifier is None and self.unidentified is True and self.label is not None
        if not (known or unknown):
            raise custom_error(
                Code.CONTRADICTION,
                "the patient is neither named by an identifier alone nor unidentified with a label",
                'either {"identifier": {"system", "value"}} or {"unidentified": true, "label"}',
            )
        return self
