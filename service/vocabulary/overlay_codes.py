"""The part of an overlay that speaks of codes: further systems, further or other codings, further concepts."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from service.vocabulary.code_tables import Coding, read_coding
from service.vocabulary.overlay_notes import OverlayNotes, existing, one_form
from service.vocabulary.yaml_tree import Located

_OWN_SYSTEM = "RESUS"
_ALIAS = re.compile(r"[A-Z][A-Z0-9_]*")
_WORD = re.compile(r"[a-z][a-z0-9]*(_[a-z0-9]+)*")
_ABSOLUTE_URI = re.compile(r"[A-Za-z][A-Za-z0-9+.-]*:[^\s<>]+")


def overlay_systems(notes: OverlayNotes, name: str, place: Located) -> None:
    """Read `add: {ALIAS: URI}`: code systems that the service does not name."""
    place.only("add")
    document = notes.documents[name]
    systems = dict(document.members())
    for alias, uri in place.required("add").members().items():
        with notes.noting():
            text = uri.text()
            if alias in systems:
                uri.refuse(f"the system {alias!r} is named already; an overlay gives no name another meaning")
            if _ALIAS.fullmatch(alias) is None:
                uri.refuse(f"{alias!r} is no alias of a system; it is written like HOSPITAL_2")
            if _ABSOLUTE_URI.fullmatch(text) is None:
                uri.refuse(f"{text!r} is not an absolute URI, which names a code system")
            same = [other for other, known in systems.items() if known.value == text]
            if same:
                uri.refuse(f"this is the system {same[0]!r} already")
            systems[alias] = uri
            notes.change("systems", f"+ {alias} {text}", uri)
    notes.documents[name] = document.holding(systems)


def overlay_table(notes: OverlayNotes, name: str, place: Located) -> None:
    """Read what changes in one code table.

    `concepts: {WORD: {add_codings: […]}}` or `{WORD: {replace_codings: […]}}`, for words that are there; and
    `add_concepts: {WORD: {text, codings, …}}`, where no closed field takes its words from the table.
    """
    members = place.only("concepts", "add_concepts")
    document = notes.documents[name]
    concepts = dict(document.required("concepts").members())
    table = document.required("table").text()
    systems = {alias: uri.text() for alias, uri in notes.documents["codes/systems.yaml"].members().items()}
    if "concepts" in members:
        for word, change in members["concepts"].members().items():
            with notes.noting():
                concept = existing(change, word, concepts, f"concept of the table {table!r}:")
                concepts[word] = _with_codings(notes, f"{table}.{word}", concept, change, systems)
    if "add_concepts" in members:
        _add_concepts(notes, table, concepts, members["add_concepts"], systems)
    notes.documents[name] = document.holding(
        {**document.members(), "concepts": document.required("concepts").holding(concepts)}
    )


def _with_codings(
    notes: OverlayNotes, subject: str, concept: Located, change: Located, systems: Mapping[str, str]
) -> Located:
    form, codings = one_form(change, "add_codings", "replace_codings")
    held = concept.members()
    old = held["codings"].items() if "codings" in held else []
    if form == "add_codings":
        sound = _sound_codings(notes, codings, systems, old)
        for coding in sound:
            notes.change(subject, f"+ coding {_name(coding)}", coding)
        new = [*old, *sound]
    else:
        new = _sound_codings(notes, codings, systems)
        if len(new) < len(codings.items()):
            return concept
        notes.change(subject, f"codings {_names(old)} replaced by {_names(new)}", codings)
    return concept.holding({**held, "codings": codings.holding(new)})


def _sound_codings(
    notes: OverlayNotes, codings: Located, systems: Mapping[str, str], old: Sequence[Located] = ()
) -> list[Located]:
    """Return those of `codings` that can be used; the faults of the others are noted."""
    if not codings.items():
        codings.refuse("at least one coding is wanted here")
    sound: list[Located] = []
    taken = {_identity(read_coding(coding, systems)) for coding in old}
    for place in codings.items():
        with notes.noting():
            coding = read_coding(place, systems)
            if place.required("system").text() == _OWN_SYSTEM:
                place.required("system").refuse(
                    f"{_OWN_SYSTEM} holds what the service itself defines; name a system of your own in"
                    " codes/systems.yaml"
                )
            if _identity(coding) in taken:
                place.refuse("the concept has this code already")
            taken.add(_identity(coding))
            sound.append(place)
    return sound


def _add_concepts(
    notes: OverlayNotes,
    table: str,
    concepts: dict[str, Located],
    added: Located,
    systems: Mapping[str, str],
) -> None:
    closed = _fields_with_closed_list(notes.documents, table)
    if closed:
        added.refuse(
            f"the words of the table {table!r} are a list of the contract (fields {', '.join(closed)}); what it"
            " lacks, clients send as a coding of their own"
        )
    for word, concept in added.members().items():
        with notes.noting():
            if word in concepts:
                concept.refuse(f"the table {table!r} has the word {word!r} already")
            if _WORD.fullmatch(word) is None:
                concept.refuse(f"{word!r} is no word of a table; it is written like out_of_hours")
            wanted = concept.required("codings")
            if len(_sound_codings(notes, wanted, systems)) == len(wanted.items()):
                concepts[word] = concept
                notes.change(f"{table}.{word}", f"+ concept {concept.required('text').text()!r}", concept)


def _fields_with_closed_list(documents: Mapping[str, Located], table: str) -> list[str]:
    """Return the fields, as KIND.FIELD, that take no other words than those of the table."""
    closed = []
    for name, document in documents.items():
        shape = document.members()
        if name == "common_fields.yaml":
            fields = document
        elif name.partition("/")[0] in ("events", "records", "check_items", "spans") and "fields" in shape:
            fields = shape["fields"]
        else:
            continue
        for field_name, field in fields.members().items():
            facts = field.plain()
            if facts.get("table") == table and facts.get("open") is not True:
                closed.append(f"{document.file.stem}.{field_name}")
    return closed


def _identity(coding: Coding) -> tuple[str, str]:
    return coding.system, coding.code


def _name(coding: Located) -> str:
    return f"{coding.required('system').text()} {coding.required('code').text()}"


def _names(codings: Sequence[Located]) -> str:
    return ", ".join(_name(coding) for coding in codings) or "(none)"
