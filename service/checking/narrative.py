"""Judges the XHTML of a narrative against the elements and attributes that R4 lets it use.

Source: FHIR R4 (4.0.1), narrative.html, invariants txt-1 and txt-2, schema fhir-xhtml.xsd.
"""

from __future__ import annotations

from functools import lru_cache
from xml.parsers import expat

from service.checking.table import NARRATIVE_ELEMENTS

_XHTML = "http://www.w3.org/1999/xhtml "
_XML = "http://www.w3.org/XML/1998/namespace "
_PRESENTATION = frozenset(("abbr", "align", "char", "charoff", "nowrap", "valign", "width"))
"""Attributes of HTML 4.0's chapters 11 and 15, which txt-1 allows and the stricter schema leaves out in places."""
_ACTIVE_SCHEMES = ("javascript:", "vbscript:")


class _ForbiddenError(Exception):
    """The narrative uses what R4 does not allow in it."""


class _Reader:
    """Reads one narrative; raises _ForbiddenError or expat.ExpatError at the first thing that is not allowed."""

    def __init__(self) -> None:
        self.has_content = False
        self._depth = 0
        self._parser = expat.ParserCreate(namespace_separator=" ")
        self._parser.StartElementHandler = self._start
        self._parser.EndElementHandler = self._end
        self._parser.CharacterDataHandler = self._text
        # A document type could declare entities that grow without end; FHIR allows none, nor instructions.
        self._parser.StartDoctypeDeclHandler = self._refuse
        self._parser.ProcessingInstructionHandler = self._refuse
        self._parser.XmlDeclHandler = self._refuse

    def read(self, text: str) -> None:
        self._parser.Parse(text.encode("utf-8"), True)  # noqa: FBT003 - expat takes it by position only.

    def _start(self, tag: str, attributes: dict[str, str]) -> None:
        name = tag.removeprefix(_XHTML)
        allowed = NARRATIVE_ELEMENTS.get(name)
        if allowed is None or name == tag or (self._depth == 0 and name != "div"):
            raise _ForbiddenError
        for attribute, value in attributes.items():
            if attribute.replace(_XML, "xml:") not in allowed and attribute not in _PRESENTATION:
                raise _ForbiddenError
            if "".join(value.split()).lower().startswith(_ACTIVE_SCHEMES):
                raise _ForbiddenError
        if name == "img":
            self.has_content = True
        self._depth += 1

    def _end(self, _tag: str) -> None:
        self._depth -= 1

    def _text(self, text: str) -> None:
        if not text.isspace():
            self.has_content = True

    def _refuse(self, *_declaration: object) -> None:
        raise _ForbiddenError


@lru_cache(maxsize=4)
def _read(div: str) -> tuple[bool, bool]:
    """Return whether `div` is allowed and whether it has content; remembered, as two invariants ask in turn."""
    reader = _Reader()
    try:
        reader.read(div)
    except (_ForbiddenError, expat.ExpatError, UnicodeEncodeError):
        return False, True
    return True, reader.has_content


def has_only_allowed_elements(div: str) -> bool:
    """Return whether `div` is one well-formed XHTML div of allowed elements and attributes (txt-1)."""
    return _read(div)[0]


def has_content(div: str) -> bool:
    """Return whether `div` holds text or an image (txt-2); true also where it cannot be read at all."""
    return _read(div)[1]
