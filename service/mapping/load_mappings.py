"""Compiles all mappings once at the start; anything wrong in them stops it, with file, line and reason."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from service.mapping.apply_mapping import RecordMapping, ResourceTemplate
from service.mapping.compile_template import Array, TemplateCompiler, is_constant, leaves_of
from service.mapping.element_origins import fields_named_in
from service.mapping.placeholders import TemplateScope
from service.problems import MappingFault, WrongMapping
from service.vocabulary.computed_names import ANCHORS, COMPUTED_NAMES, with_fields_behind
from service.vocabulary.fields import FieldDefinition
from service.vocabulary.load_vocabulary import Vocabulary
from service.vocabulary.record_shapes import RecordShape
from service.vocabulary.template_language import ResourceNode, TemplateReader, roles_in


@dataclass(frozen=True, slots=True)
class Mappings:
    """The compiled mapping of every record shape."""

    events: Mapping[str, RecordMapping]
    case: RecordMapping
    device: RecordMapping
    check: RecordMapping
    check_items: Mapping[str, RecordMapping]
    spans: Mapping[str, RecordMapping]

    @property
    def resource_types(self) -> frozenset[str]:
        """Return the types of all resources that can be made."""
        return frozenset(template.resource_type for template in self._templates())

    def constants(self) -> Iterator[Any]:
        """Yield what the templates give every resource alike, each one object that nobody may change."""
        for template in self._templates():
            for _, element in template.members:
                yield from (leaf.render({}) for leaf in leaves_of(element) if is_constant(leaf))

    def changed(self, change: Callable[[RecordMapping], RecordMapping]) -> Mappings:
        """Return mappings with `change` done to each."""
        return Mappings(
            events={name: change(mapping) for name, mapping in self.events.items()},
            case=change(self.case),
            device=change(self.device),
            check=change(self.check),
            check_items={name: change(mapping) for name, mapping in self.check_items.items()},
            spans={name: change(mapping) for name, mapping in self.spans.items()},
        )

    def _templates(self) -> Iterator[ResourceTemplate]:
        yield from (*self.case.templates, *self.device.templates, *self.check.templates)
        for some in (self.events, self.check_items, self.spans):
            for mapping in some.values():
                yield from mapping.templates


def load_mappings(vocabulary: Vocabulary) -> Mappings:
    """Return the compiled mappings of `vocabulary`; WrongMapping with every fault of every file."""
    faults: list[MappingFault] = []
    reader = TemplateReader(vocabulary.data.document("fragments.yaml").members(), faults)
    case_fields = {f"case.{name}": field for name, field in vocabulary.case.fields.items()}

    def compiled(shape: RecordShape, more_fields: Mapping[str, FieldDefinition]) -> RecordMapping:
        return _compile_shape(shape, vocabulary, reader.resources(shape.resources), more_fields, faults)

    mappings = Mappings(
        events={name: compiled(shape, case_fields) for name, shape in vocabulary.events.items()},
        case=compiled(vocabulary.case, {}),
        device=compiled(vocabulary.device, {}),
        check=compiled(vocabulary.check, {}),
        check_items={name: compiled(shape, {}) for name, shape in vocabulary.check_items.items()},
        spans={name: compiled(shape, case_fields) for name, shape in vocabulary.spans.items()},
    )
    if faults:
        # A fragment that many templates take over has its fault in one place, so it is told once.
        raise WrongMapping(dict.fromkeys(faults))
    return mappings


def _compile_shape(
    shape: RecordShape,
    vocabulary: Vocabulary,
    nodes: Sequence[ResourceNode],
    more_fields: Mapping[str, FieldDefinition],
    faults: list[MappingFault],
) -> RecordMapping:
    """Return the mapping of one shape; what is wrong in its templates, and every field that none uses, is noted."""
    scope = TemplateScope(
        fields={**shape.fields, **more_fields},
        references=roles_in(shape.resources) | ANCHORS,
        tables=vocabulary.tables,
        units=vocabulary.units,
    )
    compiler = TemplateCompiler(scope, faults)
    templates = [_compile_resource(node, compiler, vocabulary) for node in nodes]
    used = with_fields_behind(scope.used)
    used |= {name.partition(".")[0] for name in used}
    # What is computed from the fields of every event is computed whether the templates of a kind show it or not.
    used |= with_fields_behind(COMPUTED_NAMES) & vocabulary.common_fields.keys()
    faults.extend(
        definition.place.fault(f"no line of the mapping uses the field {name!r}, so its value would be lost")
        for name, definition in shape.fields.items()
        if name not in used and name not in _KEPT_ONLY
    )
    # What a site drops is compiled all the same: its faults count, and its fields count as used.
    return RecordMapping(shape, tuple(template for template in templates if not template.node.is_dropped))


_KEPT_ONLY = frozenset({"stated_unknown", "capabilities"})
"""Fields that templates need not use.

What is stated unknown decides the reasons for absence; the capabilities of a device are kept for comparison with
what a case records.
"""


def _compile_resource(node: ResourceNode, compiler: TemplateCompiler, vocabulary: Vocabulary) -> ResourceTemplate:
    members = {name: compiler.compile(member) for name, member in node.members.items()}
    compiler.check_condition(node.when)
    component = members.get("component")
    components = component.items if node.stands_on_components and isinstance(component, Array) else ()
    asked = set(node.when.names) if node.when is not None else set[str]()
    file = node.place.file.relative_to(vocabulary.folder).as_posix()
    return ResourceTemplate(
        node=node,
        role=node.role,
        resource_type=node.resource_type,
        identity=[compiler.compile(part) for part in node.identity] if node.identity is not None else None,
        members=tuple(members.items()),
        components=components,
        rule=f"{file}#{node.role}",
        asked=tuple(sorted(asked.union(*(fields_named_in(one) for one in components)))),
    )
