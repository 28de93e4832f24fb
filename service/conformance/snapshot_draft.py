"""The snapshot of a StructureDefinition while it is written, beginning as the official one of its type."""

from __future__ import annotations

from typing import Any

from service.conformance.base_snapshots import base_snapshot

STRUCTURE = "http://hl7.org/fhir/StructureDefinition/"

Element = dict[str, Any]
"""One ElementDefinition."""


class SnapshotDraft:
    """The elements of a StructureDefinition while it is written, with what differs from those of its base."""

    def __init__(self, resource_type: str) -> None:
        self.elements = base_snapshot(resource_type)
        self._changes: dict[str, Element] = {}
        for element in self.elements:
            content = element.get("contentReference", "")
            if content.startswith("#"):
                element["contentReference"] = f"{STRUCTURE}{resource_type}{content}"

    def find(self, identifier: str) -> Element | None:
        """Return the element of this id; None where there is none."""
        return next((element for element in self.elements if element["id"] == identifier), None)

    def at(self, identifier: str) -> Element:
        """Return the element of this id, which is known to be there."""
        return next(element for element in self.elements if element["id"] == identifier)

    def find_json(self, parent: str, name: str) -> tuple[Element, str | None] | None:
        """Return the element that JSON calls `name` under `parent`, and of a choice the type that the name says."""
        element = self.find(f"{parent}.{name}")
        if element is not None:
            return element, None
        for element in self.elements:
            stem = element["id"].removesuffix("[x]")
            if stem == element["id"] or stem.rpartition(".")[0] != parent:
                continue
            last = stem.rpartition(".")[2]
            for kind in element["type"]:
                code = kind["code"]
                if name == last + code[:1].upper() + code[1:]:
                    return element, code
        return None

    def change(self, element: Element, **changes: Any) -> None:
        """Set members of an element, here and in the differential."""
        element.update(changes)
        self._changes.setdefault(element["id"], {}).update(changes)

    def constrain(self, element: Element, constraint: Element) -> None:
        """Add an invariant to those of an element."""
        element["constraint"] = [*element.get("constraint", ()), constraint]
        self._changes.setdefault(element["id"], {}).setdefault("constraint", []).append(constraint)

    def add_slice(self, element: Element, name: str, children: list[Element] | None = None) -> Element:
        """Add a slice of `element` behind those that it has, and return its first element.

        It has the elements below `element`, or, where the type of the slice has them, `children`: copies whose
        ids begin with that of `element`.
        """
        below = [one for one in self.elements if one["id"].startswith(f"{element['id']}.")]
        stem = f"{element['id']}:{name}"
        head = {"id": stem, "path": element["path"], "sliceName": name}
        head |= {key: value for key, value in element.items() if key not in ("id", "path", "slicing")}
        copies = [{**one, "id": stem + one["id"].removeprefix(element["id"])} for one in (children or below)]
        place = self._end_of(element)
        self.elements[place:place] = [head, *copies]
        return head

    def _end_of(self, element: Element) -> int:
        """Return the place behind the last element that belongs to `element`, its slices included."""
        starts = (f"{element['id']}.", f"{element['id']}:")
        mine = [place for place, one in enumerate(self.elements) if one is element or one["id"].startswith(starts)]
        return mine[-1] + 1

    def differential(self) -> list[Element]:
        """Return what differs, in the order of the snapshot."""
        return [
            {
                "id": element["id"],
                "path": element["path"],
                **({"sliceName": element["sliceName"]} if "sliceName" in element else {}),
                **self._changes[element["id"]],
            }
            for element in self.elements
            if element["id"] in self._changes
        ]
