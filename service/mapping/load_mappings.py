"""Compiles all mappings once at the start; anything wrong in them stops it, with file, line and reason."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from service.mapping.apply_mapping import RecordMapping, ResourceTemplate
from service.mapping.compile_template import Node, TemplateCompiler
from service.mapping.placeholders import Scope
from service.problems import MappingFault, WrongMapping
from service.vocabulary.conditions import names_asked_for
from service.vocabulary.load_vocabulary import Vocabulary
from service.vocabulary.record_shapes import RecordShape
from service.vocabulary.yaml_tree import Located

COMPUTED = frozenset(
    {
        "resource_id",  # The id of the resource that is being rendered.
        "own_references",  # References to all resources of the record, Provenance left out.
        "time",  # When it happened, on the reference clock, as far as that is known (FHIR dateTime).
        "device_time",  # The extension with the raw time and its clock, where a device's clock gave it.
        "received",  # When the service took the record (FHIR instant).
        "version",  # The version of the record, 1 for the first.
        "activity",  # What this version did, as a word: create, revise or retract.
        "installation",  # The URI of this installation.
        "record_key",  # The record's own key: case and event, or device and check.
        "content_hash",  # The SHA-256 of the record's content.
        "segments",  # Of a strip: its segments; absent where it has no samples.
        "segment_start",  # Of a segment of a strip: when its first sample was taken (FHIR dateTime).
        "segment_end",  # Of a segment of a strip: one period after its last sample.
        "segment_components",  # Of a segment of a strip: a component with SampledData for each lead.
        "document_references",  # Of a strip: references to the resources of the event that it documents.
        "case_id",
        "device_id",
        "check_id",
        "span_status",  # Of a span: in-progress or completed.
        "started",  # Of a case or a span: the first moment (FHIR dateTime).
        "ended",  # Of a case or a span: the last moment; absent while it goes on.
        "outcome",  # Of a check: ready, ready_with_fault or not_ready.
        "reasons",  # Of a check: in words, what bars use or must be followed up.
        "member_references",  # Of a check: references to the Observations of its items.
    }
)
"""Names that the pipeline computes; templates may use them like fields."""

_OF_A_STRIP = ("start", "at", "clock", "sampling_hertz", "lead", "leads", "samples_millivolts")

FIELDS_BEHIND: Mapping[str, tuple[str, ...]] = {
    "resource_id": ("id",),
    "record_key": ("id",),
    "check_id": ("id",),
    "time": ("at", "clock", "checked_at"),
    "device_time": ("at", "clock", "precision_seconds"),
    "started": ("started_at",),
    "segment_start": _OF_A_STRIP,
    "segment_end": _OF_A_STRIP,
    "segment_components": _OF_A_STRIP,
    "document_references": ("documents",),
}
"""The record's own fields that a computed name is computed from, for explanations; the content hash is of all."""

ANCHORS = frozenset({"patient", "encounter", "location", "resuscitation", "device", "compressions", "pacing"})
"""What a record may refer to outside itself."""


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
            for _, node in template.members:
                yield from node.constants()

    def _templates(self) -> Iterator[ResourceTemplate]:
        yield from (*self.case.templates, *self.device.templates, *self.check.templates)
        for some in (self.events, self.check_items, self.spans):
            for mapping in some.values():
                yield from mapping.templates


def load_mappings(vocabulary: Vocabulary) -> Mappings:
    """Return the compiled mappings of `vocabulary`; WrongMapping with every fault of every file."""
    fragments = vocabulary.data.document("fragments.yaml").members()
    faults: list[MappingFault] = []
    case_fields = {f"case.{name}": field for name, field in vocabulary.case.fields.items()}

    def compiled(shape: RecordShape, *, with_case: bool = True) -> RecordMapping:
        mapping, found = _compile_shape(shape, vocabulary, fragments, case_fields if with_case else {})
        faults.extend(found)
        return mapping

    mappings = Mappings(
        events={name: compiled(shape) for name, shape in vocabulary.events.items()},
        case=compiled(vocabulary.case, with_case=False),
        device=compiled(vocabulary.device, with_case=False),
        check=compiled(vocabulary.check, with_case=False),
        check_items={name: compiled(shape, with_case=False) for name, shape in vocabulary.check_items.items()},
        spans={name: compiled(shape) for name, shape in vocabulary.spans.items()},
    )
    if faults:
        raise WrongMapping(faults)
    return mappings


def _compile_shape(
    shape: RecordShape,
    vocabulary: Vocabulary,
    fragments: Mapping[str, Located],
    case_fields: Mapping[str, object],
) -> tuple[RecordMapping, list[MappingFault]]:
    places = shape.resources.items()
    roles = frozenset(place.required("role").text() for place in places)
    scope = Scope(
        fields={**shape.fields, **case_fields},  # type: ignore[dict-item]
        computed=COMPUTED,
        references=roles | ANCHORS,
        tables=vocabulary.tables,
        units=vocabulary.units,
        behind=FIELDS_BEHIND,
    )
    compiler = TemplateCompiler(scope, fragments)
    templates: list[ResourceTemplate] = []
    for place in places:
        try:
            template = _compile_resource(place, compiler, vocabulary)
            # What a site drops is compiled all the same: its faults count, and its fields count as used.
            if "drop" not in place.members():
                templates.append(template)
        except WrongMapping as wrong:
            compiler.faults.extend(wrong.faults)
    used = scope.used | {name.partition(".")[0] for name in scope.used}
    unused = [
        definition.place.fault(f"no line of the mapping uses the field {name!r}, so its value would be lost")
        for name, definition in shape.fields.items()
        if name not in used and name not in _USED_BY_THE_PIPELINE
    ]
    return RecordMapping(shape, tuple(templates)), _unique([*compiler.faults, *unused])


_USED_BY_THE_PIPELINE = frozenset(
    {
        "sampling_hertz",
        "lead",
        "leads",
        "samples_millivolts",
        "start",
        "documents",
        "id",
        "at",
        "clock",
        "precision_seconds",
        "stated_unknown",
        "checked_at",
        "capabilities",
    }
)
"""Fields whose content reaches the resource through a computed name: its time, its key, its absent reasons.

The capabilities of a device reach no resource: they are kept for comparison with what a case records.
"""


def _unique(faults: Iterable[MappingFault]) -> list[MappingFault]:
    """Return each fault once: a fragment that many templates take over has its fault in one place."""
    return list(dict.fromkeys(faults))


LISTS = frozenset({"segments"})
"""Computed lists over which a template can repeat: `each: segments` makes a resource for each segment."""


def _each(place: Located) -> str:
    if place.text() not in LISTS:
        place.refuse(f"a template repeats over one of: {', '.join(sorted(LISTS))}")
    return place.text()


def _compile_resource(place: Located, compiler: TemplateCompiler, vocabulary: Vocabulary) -> ResourceTemplate:
    members = place.only("role", "when", "each", "identity", "resource", "drop")
    body = compiler.with_fragment(place.required("resource"))
    if "resourceType" not in body:
        place.required("resource").refuse("a resource needs its resourceType")
    resource_type = body.pop("resourceType").text()
    nodes: list[tuple[str, Node]] = [(name, compiler.node(member)) for name, member in body.items()]
    role = place.required("role").text()
    file = place.file.relative_to(vocabulary.folder).as_posix()
    return ResourceTemplate(
        role=role,
        resource_type=resource_type,
        when=compiler.condition(members["when"]) if "when" in members else None,
        each=_each(members["each"]) if "each" in members else None,
        identity=[compiler.node(part) for part in members["identity"].items()] if "identity" in members else None,
        members=tuple(nodes),
        rule=f"{file}#{role}",
        asked=tuple(sorted(names_asked_for(members["when"]))) if "when" in members else (),
        place=place,
    )
