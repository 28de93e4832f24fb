"""What the reading of an overlay gathers: the documents as they become, the changes, and the faults."""

from __future__ import annotations

from contextlib import AbstractContextManager
from dataclasses import dataclass, field

from service.problems import MappingFault, gathered
from service.vocabulary.yaml_tree import Located


@dataclass(frozen=True, slots=True)
class Change:
    """One thing that an overlay changes: of what, in words, and where it says so."""

    subject: str
    says: str
    place: Located

    def __str__(self) -> str:
        return f"{self.subject}: {self.says}"


@dataclass(slots=True)
class OverlayNotes:
    """The documents, which are replaced one by one, with every change and every fault on the way."""

    documents: dict[str, Located]
    changes: list[Change] = field(default_factory=list)
    faults: list[MappingFault] = field(default_factory=list)

    def change(self, subject: str, says: str, place: Located) -> None:
        """Note a change."""
        self.changes.append(Change(subject, says, place))

    def noting(self) -> AbstractContextManager[None]:
        """Note the faults of what is read inside, so that the rest of the overlay is still read."""
        return gathered(self.faults)


def one_form(place: Located, *forms: str) -> tuple[str, Located]:
    """Return the one member that a mapping has; WrongMapping where it has none of `forms`, or several."""
    members = place.only(*forms)
    if len(members) != 1:
        place.refuse(f"exactly one of these stands here: {', '.join(forms)}")
    return next(iter(members.items()))


def existing(place: Located, name: str, known: dict[str, Located], what: str) -> Located:
    """Return `known[name]`; WrongMapping at `place` where there is none, since an overlay makes up no name."""
    found = known.get(name)
    if found is None:
        place.refuse(f"there is no {what} {name!r} here; known are: {', '.join(known)}")
    return found


def is_said(place: Located) -> None:
    """Pass where `place` says true; WrongMapping otherwise, since the opposite is the state without the line."""
    if not place.flag():
        place.refuse("only true is written here; leave the line out for the opposite")
