"""Explains resources: says for every element which field of the record and which line of the mapping made it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from service.mapping.apply_mapping import MadeResource, RecordMapping, ResourceTemplate
from service.mapping.element_origins import CONSTANT, ElementOrigin, Origin, explain_element, origin_of
from service.mapping.load_mappings import Mappings
from service.mapping.placeholders import Values
from service.vocabulary.yaml_tree import Located


@dataclass(frozen=True, slots=True)
class ExplainedResource:
    """A resource with the origins of its elements, in its own order.

    `place` is where its template stands, `when` the fields on whose values it hangs that it is made at all.
    """

    made: MadeResource
    place: Located
    when: tuple[str, ...]
    elements: tuple[ElementOrigin, ...]

    def place_of(self, path: str) -> Located:
        """Return the line that made the element at `path`, or the nearest element around it."""
        around = [
            element
            for element in self.elements
            if path == element.path or path.startswith((f"{element.path}.", f"{element.path}["))
        ]
        return max(around, key=lambda element: len(element.path)).place if around else self.place


@dataclass(frozen=True, slots=True)
class ExplainedMapping(RecordMapping):
    """A mapping that makes the same resources, and keeps an explanation of each in `explained`."""

    explained: dict[str, ExplainedResource] = field(default_factory=dict)

    def apply(self, source: str, identity: Sequence[str], values: Mapping[str, Any]) -> list[MadeResource]:
        """Return the resources of one record, as the plain mapping does; their explanations are kept."""
        made = RecordMapping.apply(self, source, identity, values)
        chosen, scope = self.choose(source, identity, values)
        for resource, (template, made_id, item) in zip(made, chosen, strict=True):
            elements = tuple(_explain(self, template, {**scope, **item, "resource_id": made_id}))
            self.explained[resource.reference] = ExplainedResource(
                resource, template.node.place, template.asked, elements
            )
        return made


def _explain(mapping: RecordMapping, template: ResourceTemplate, values: Values) -> Iterator[ElementOrigin]:
    name = template.resource_type
    yield ElementOrigin(f"{name}.resourceType", CONSTANT, template.node.place)
    fields: tuple[str, ...] = ("id",) if "id" in mapping.shape.fields else ()
    if template.identity is not None:
        fields = tuple(dict.fromkeys(one for part in template.identity for one in origin_of(part, values).fields))
    yield ElementOrigin(f"{name}.id", Origin(fields, ("resource_id",)), template.node.place)
    for member, element in template.members:
        if element.render(values) is not None:
            yield from explain_element(element, values, f"{name}.{member}")


def explaining(mappings: Mappings) -> tuple[Mappings, dict[str, ExplainedResource]]:
    """Return mappings that explain what they make, and where the explanations are kept, by reference."""
    explained: dict[str, ExplainedResource] = {}

    def explained_mapping(mapping: RecordMapping) -> RecordMapping:
        return ExplainedMapping(mapping.shape, mapping.templates, explained)

    return mappings.changed(explained_mapping), explained


RETRACTION = Origin((), ("retraction",))


def explain_retraction(explained: ExplainedResource, body: Mapping[str, Any]) -> ExplainedResource:
    """Return the explanation of a resource whose record was retracted since, so that it is `body` now.

    The members that say so stand in no template: they come from the retraction, at the resource's own line.
    """
    before = explained.made.body
    changed = {name for name in (*before, *body) if before.get(name) != body.get(name)}
    if not changed:
        return explained
    heads = tuple(f"{explained.made.resource_type}.{name}" for name in changed)
    kept = [
        element
        for element in explained.elements
        if not any(element.path == head or element.path.startswith((f"{head}.", f"{head}[")) for head in heads)
    ]
    new = [
        ElementOrigin(f"{explained.made.resource_type}.{name}", RETRACTION, explained.place)
        for name in body
        if name in changed
    ]
    return replace(explained, made=replace(explained.made, body=dict(body)), elements=(*kept, *new))
