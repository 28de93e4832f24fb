"""Applies the compiled mapping of a record shape to one record and gives the FHIR resources of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from service.mapping.compile_template import Node
from service.mapping.placeholders import Values
from service.mapping.resource_ids import resource_id
from service.vocabulary.conditions import Condition
from service.vocabulary.record_shapes import RecordShape


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
    """The template of one resource of a record."""

    role: str
    resource_type: str
    when: Condition | None
    identity: Sequence[Node] | None
    members: Sequence[tuple[str, Node]]
    rule: str


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
        scope = dict(values)
        chosen: list[tuple[ResourceTemplate, str]] = []
        own: list[dict[str, str]] = []
        for template in self.templates:
            if template.when is not None and not template.when(values):
                continue
            made_id = _identify(template, source, identity, values)
            if made_id is None:
                continue
            reference = {"reference": f"{template.resource_type}/{made_id}"}
            scope[f"reference {template.role}"] = reference
            if template.resource_type != "Provenance":
                own.append(reference)
            chosen.append((template, made_id))
        scope["own_references"] = own
        return [_render(template, made_id, scope) for template, made_id in chosen]


def _identify(template: ResourceTemplate, source: str, identity: Sequence[str], values: Values) -> str | None:
    """Return the id of the template's resource; None where its own identity lacks a part, so that there is none."""
    if template.identity is None:
        return resource_id((source, *identity, template.role))
    parts = [node.render(values) for node in template.identity]
    return None if None in parts else resource_id((source, *parts))


def _render(template: ResourceTemplate, made_id: str, scope: dict[str, Any]) -> MadeResource:
    scope["resource_id"] = made_id
    body: dict[str, Any] = {"resourceType": template.resource_type, "id": made_id}
    for name, node in template.members:
        value = node.render(scope)
        if value is not None:
            body[name] = value
    return MadeResource(template.resource_type, made_id, template.role, template.rule, body)
