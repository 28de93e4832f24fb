"""Applies the compiled mapping of a record shape to one record and gives the FHIR resources of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from service.mapping.compile_template import Element
from service.mapping.placeholders import Values
from service.mapping.resource_ids import resource_id
from service.vocabulary.record_shapes import RecordShape
from service.vocabulary.template_language import ResourceNode


@dataclass(frozen=True, slots=True)
class MadeResource:
    """One resource as it was built, with the role that it plays for its record and the rule that made it.

    `body` shares constant parts with other resources and must not be changed in place.
    """

    resource_type: str
    id: str
    role: str
    rule: str
    body: dict[str, Any]

    @property
    def reference(self) -> str:
        """Return the literal reference, `Type/id`."""
        return f"{self.resource_type}/{self.id}"


@dataclass(frozen=True, slots=True)
class ResourceTemplate:
    """The compiled template of one resource of a record; what was written is in `node`.

    `components` are those of which one must be there for the resource to be made; where there are none, it is made.
    `asked` are the names on whose values it hangs that it is made.
    """

    node: ResourceNode
    role: str
    resource_type: str
    identity: Sequence[Element] | None
    members: Sequence[tuple[str, Element]]
    components: Sequence[Element]
    rule: str
    asked: tuple[str, ...]

    def is_made(self, values: Values) -> bool:
        """Return whether a record with these values makes the resource at all."""
        when = self.node.when
        if when is not None and not when.holds(values):
            return False
        return not self.components or any(one.render(values) is not None for one in self.components)

    def items(self, values: Values) -> Sequence[Mapping[str, Any]]:
        """Return what the resources are made for beside the values: one for each item, else one of nothing more."""
        each = self.node.each
        return _NOTHING_MORE if each is None else values.get(each, ())


_NOTHING_MORE: tuple[Mapping[str, Any], ...] = ({},)

Chosen = tuple[ResourceTemplate, str, Mapping[str, Any]]
"""A template that applies to a record, the id of the resource that it makes, and the item it is made for."""


@dataclass(frozen=True, slots=True)
class RecordMapping:
    """All templates of one record shape, in the order in which they are written."""

    shape: RecordShape
    templates: tuple[ResourceTemplate, ...]

    def apply(self, source: str, identity: Sequence[str], values: Mapping[str, Any]) -> list[MadeResource]:
        """Return the resources of one record; the same arguments always give the same resources.

        `source` names this installation, `identity` the record; `values` holds the fields that are present,
        the computed names, and under `reference NAME` the References to anchors.
        """
        chosen, scope = self.choose(source, identity, values)
        return [_render(template, made_id, scope, item) for template, made_id, item in chosen]

    def choose(
        self, source: str, identity: Sequence[str], values: Mapping[str, Any]
    ) -> tuple[list[Chosen], dict[str, Any]]:
        """Return the templates that apply to a record, and what they are rendered with."""
        scope = dict(values)
        chosen: list[Chosen] = []
        own: list[dict[str, str]] = []
        for template in self.templates:
            if not template.is_made(values):
                continue
            # A Provenance is about something; where a site has dropped all else of a record, there is none.
            if template.resource_type == "Provenance" and not own and not values.get("member_references"):
                continue
            for number, item in enumerate(template.items(values), start=1):
                made_id = _identify(template, source, identity, values, number)
                if made_id is None:
                    continue
                reference = {"reference": f"{template.resource_type}/{made_id}"}
                if number == 1:
                    scope[f"reference {template.role}"] = reference
                if template.resource_type != "Provenance":
                    own.append(reference)
                chosen.append((template, made_id, item))
        scope["own_references"] = own
        return chosen, scope


def _identify(
    template: ResourceTemplate, source: str, identity: Sequence[str], values: Values, number: int
) -> str | None:
    """Return the id of the template's resource; None where its own identity lacks a part, so that there is none."""
    if template.identity is None:
        role = template.role if number == 1 else f"{template.role}-{number}"
        return resource_id((source, *identity, role))
    parts = [element.render(values) for element in template.identity]
    return None if None in parts else resource_id((source, *parts))


def _render(
    template: ResourceTemplate, made_id: str, scope: dict[str, Any], item: Mapping[str, Any]
) -> MadeResource:
    if item:
        scope = {**scope, **item}
    scope["resource_id"] = made_id
    body: dict[str, Any] = {"resourceType": template.resource_type, "id": made_id}
    for name, element in template.members:
        value = element.render(scope)
        if value is not None:
            body[name] = value
    return MadeResource(template.resource_type, made_id, template.role, template.rule, body)
