"""Applies a site's overlay to the mapping documents: each of its files changes the document of the same path.

An overlay adds and replaces; it renames and removes no word of the contract. What each file may hold stands beside
the function that reads it; docs/mapping-language.md tells it with examples.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from service.vocabulary.overlay_codes import overlay_systems, overlay_table
from service.vocabulary.overlay_notes import OverlayNotes, existing, is_said
from service.vocabulary.overlay_records import overlay_record
from service.vocabulary.units import is_ucum
from service.vocabulary.yaml_tree import Located

_RECORD_FOLDERS = ("events", "records", "check_items", "spans")

Reader = Callable[[OverlayNotes, str, Located], None]


def _reader(name: str) -> Reader | None:
    """Return what reads the overlay's file `name`; None for a file that an overlay cannot change."""
    match name.split("/"):
        case ["codes", "systems.yaml"]:
            return overlay_systems
        case ["codes", _]:
            return overlay_table
        case ["units.yaml"]:
            return _overlay_units
        case ["completeness.yaml"]:
            return _overlay_rules
        case [folder, _] if folder in _RECORD_FOLDERS:
            return overlay_record
    return None


def apply_overlay(notes: OverlayNotes, overlay: Mapping[str, Located]) -> None:
    """Change the documents in `notes` as the files of `overlay` say, and note every change and every fault.

    What is at fault is left out, so that the rest can still be compiled and all faults be told at once.
    """
    # The systems come first, since the codings of all other files name them.
    for name in sorted(overlay, key=lambda name: (name != "codes/systems.yaml", name)):
        place = overlay[name]
        reader = _reader(name)
        with notes.noting():
            if reader is None:
                place.refuse(
                    "an overlay changes codes/, events/, records/, check_items/, spans/, units.yaml and"
                    f" completeness.yaml, not {name}"
                )
            if name not in notes.documents:
                place.refuse(f"the service has no mappings/{name}; an overlay adds no files of its own")
            reader(notes, name, place)


def _overlay_units(notes: OverlayNotes, name: str, place: Located) -> None:
    """Read `displays: {UCUM: text}`: units to be added, or shown by another text."""
    place.only("displays")
    document = notes.documents[name]
    units = dict(document.required("units").members())
    for code, text in place.required("displays").members().items():
        with notes.noting():
            shown = text.text()
            if code in units:
                notes.change("units", f"{code} is shown as {shown!r}, not as {units[code].text()!r}", text)
            elif is_ucum(code):
                notes.change("units", f"+ {code}, shown as {shown!r}", text)
            else:
                text.refuse(f"{code!r} is not a UCUM code")
            units[code] = text
    notes.documents[name] = document.holding(
        {**document.members(), "units": document.required("units").holding(units)}
    )


def _overlay_rules(notes: OverlayNotes, name: str, place: Located) -> None:
    """Read `rules: {RULE: {off: true}}` or `{RULE: {importance: core or supplemental}}`."""
    place.only("rules")
    document = notes.documents[name]
    rules = {rule.required("rule").text(): rule for rule in document.required("rules").items()}
    known = dict(rules)
    for rule_name, change in place.required("rules").members().items():
        with notes.noting():
            rule = existing(change, rule_name, known, "rule")
            members = change.only("off", "importance")
            match list(members.items()):
                case [("off", said)]:
                    is_said(said)
                    del rules[rule_name]
                    notes.change(f"completeness.{rule_name}", "off", change)
                case [("importance", importance)]:
                    rules[rule_name] = rule.holding({**rule.members(), "importance": importance})
                    notes.change(f"completeness.{rule_name}", f"importance {importance.text()}", change)
                case _:
                    change.refuse("exactly one of these stands here: off, importance")
    notes.documents[name] = document.holding({"rules": document.required("rules").holding(list(rules.values()))})
