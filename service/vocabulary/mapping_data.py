"""Reads all mapping documents as a site's overlay changes them; what follows sees one set of documents."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from service.problems import MappingFault, WrongMapping
from service.vocabulary.apply_overlay import apply_overlay
from service.vocabulary.overlay_notes import Change, OverlayNotes
from service.vocabulary.yaml_tree import Located, load_yaml


@dataclass(frozen=True, slots=True)
class MappingData:
    """The documents in force, by their path below the mapping folder, such as `codes/rhythm.yaml`.

    Every value knows the file that it comes from, be it the service's or the overlay's. `faults` are those of the
    overlay itself: what it asks for in vain has been left out of the documents.
    """

    folder: Path
    overlay: Path | None
    documents: dict[str, Located]
    changes: tuple[Change, ...] = ()
    faults: tuple[MappingFault, ...] = ()

    def document(self, name: str) -> Located:
        """Return one document; WrongMapping where the folder lacks it."""
        found = self.documents.get(name)
        if found is None:
            raise WrongMapping([MappingFault(self.folder / name, 1, "cannot be read: there is no such file")])
        return found

    def documents_in(self, folder: str) -> Iterator[Located]:
        """Yield the documents of a folder in the order of their names; systems.yaml is no code table."""
        for name, document in self.documents.items():
            if name.startswith(f"{folder}/") and name != "codes/systems.yaml":
                yield document

    def line_of(self, place: Located) -> str:
        """Return a place as people name it: `events/shock_delivered.yaml:41`, `overlay/…` in the overlay."""
        if self.overlay is not None and place.file.is_relative_to(self.overlay):
            return f"overlay/{place.file.relative_to(self.overlay).as_posix()}:{place.line}"
        return f"{place.file.relative_to(self.folder).as_posix()}:{place.line}"


def _read_all(folder: Path) -> tuple[dict[str, Located], list[MappingFault]]:
    documents: dict[str, Located] = {}
    faults: list[MappingFault] = []
    for file in sorted(folder.rglob("*.yaml")):
        try:
            documents[file.relative_to(folder).as_posix()] = load_yaml(file)
        except WrongMapping as wrong:
            faults.extend(wrong.faults)
    return documents, faults


_BESIDE_THE_DATA = frozenset({".md", ".txt", ""})
"""Endings of files that may lie in an overlay and are not read, such as a README or a LICENSE."""


def _strange_files(overlay: Path) -> Iterator[MappingFault]:
    if not overlay.is_dir():
        yield MappingFault(overlay, 1, "there is no such folder; RESUS_MAPPINGS names the overlay")
    for file in sorted(overlay.rglob("*")):
        if file.is_file() and file.suffix not in (".yaml", *_BESIDE_THE_DATA) and not file.name.startswith("."):
            yield MappingFault(file, 1, "a file of an overlay ends in .yaml (or .md, .txt: these are not read)")


def read_mapping_data(folder: Path, overlay: Path | None = None) -> MappingData:
    """Return the documents in `folder` with what `overlay` changes in them, and the faults of the overlay.

    Raises WrongMapping where a file is not YAML, in the folder or in the overlay.
    """
    documents, faults = _read_all(folder)
    if overlay is None:
        if faults:
            raise WrongMapping(faults)
        return MappingData(folder, None, documents)
    overlaid, overlay_faults = _read_all(overlay)
    faults += [*overlay_faults, *_strange_files(overlay)]
    if faults:
        raise WrongMapping(faults)
    notes = OverlayNotes(documents)
    apply_overlay(notes, overlaid)
    return MappingData(folder, overlay, documents, tuple(notes.changes), tuple(notes.faults))
