"""Finds, for every template of the compiled mappings, the profile that its resources meet."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from service.conformance.base_snapshots import has_base_snapshot
from service.conformance.canonical import canonical, fhir_id
from service.conformance.outline_template import ResourceOutline, Setting, TemplateReader
from service.mapping.apply_mapping import RecordMapping
from service.mapping.load_mappings import Mappings
from service.vocabulary.load_vocabulary import Vocabulary
from service.vocabulary.yaml_tree import Located

_OF_EVERY_RECORD = frozenset({"resource_id", "installation", "record_key"})
_OF_AN_EVENT = _OF_EVERY_RECORD | {
    "received",
    "version",
    "activity",
    "content_hash",
    "time",
    "own_references",
    "case_id",
}
_OF_A_CHECK = _OF_EVERY_RECORD | {
    *("received", "version", "activity", "content_hash", "time", "own_references", "device_id", "check_id"),
}
_OF_A_SEGMENT = frozenset({"segment_start", "segment_end", "segment_components"})
_IN_A_CASE = frozenset({"patient", "resuscitation"})


@dataclass(frozen=True, slots=True)
class Profile:
    """What a profile says of the resources of one template or of several that are alike.

    `rules` are those of the templates, as made resources name them.
    """

    identifier: str
    title: str
    description: str
    outline: ResourceOutline
    rules: frozenset[str]

    @property
    def url(self) -> str:
        """Return the canonical address, by which a resource claims the profile."""
        return canonical("StructureDefinition", self.identifier)


@dataclass(frozen=True, slots=True)
class _Group:
    """The mappings of one kind of record, and what is always there for their templates."""

    prefix: str
    mappings: Mapping[str, RecordMapping]
    always: frozenset[str]
    referred: frozenset[str]


def _groups(mappings: Mappings) -> list[_Group]:
    return [
        _Group("", mappings.events, _OF_AN_EVENT | _OF_A_SEGMENT, _IN_A_CASE),
        _Group("", mappings.spans, _OF_EVERY_RECORD | {"case_id", "span_status"}, _IN_A_CASE),
        _Group("", {"case": mappings.case}, _OF_EVERY_RECORD | {"case_id", "received"}, _IN_A_CASE),
        _Group("", {"device": mappings.device}, _OF_EVERY_RECORD | {"device_id", "received"}, frozenset()),
        _Group("", {"check": mappings.check}, _OF_A_CHECK | {"outcome"}, frozenset({"device"})),
        _Group("check-item", mappings.check_items, _OF_A_CHECK, frozenset({"device"})),
    ]


def _anchor_types(vocabulary: Vocabulary, mappings: Mappings) -> dict[str, frozenset[str]]:
    """Return the types of the resources that records refer to outside themselves."""
    types = {template.role: frozenset({template.resource_type}) for template in mappings.case.templates}
    types["device"] = frozenset(template.resource_type for template in mappings.device.templates)
    for name, mapping in mappings.spans.items():
        rule = vocabulary.spans[name].span
        if rule is not None:
            types[rule.anchor] = frozenset(template.resource_type for template in mapping.templates)
    return types


def plan_profiles(vocabulary: Vocabulary, mappings: Mappings) -> list[Profile]:
    """Return the profiles of everything that the templates make, in the order of their ids, each id once.

    Templates that consist of one fragment share its profile. A template of a type whose official snapshot is not
    at hand has none; `unprofiled_types` names those types.
    """
    planned: dict[str, Profile] = {}
    for profile in _plan(vocabulary, mappings):
        old = planned.get(profile.identifier)
        rules = profile.rules if old is None else old.rules | profile.rules
        planned[profile.identifier] = Profile(
            profile.identifier, profile.title, profile.description, profile.outline, rules
        )
    return [planned[identifier] for identifier in sorted(planned)]


def unprofiled_types(mappings: Mappings) -> list[str]:
    """Return the types of resources that can be made and of which no profile can be written."""
    return sorted(name for name in mappings.resource_types if not has_base_snapshot(name))


def _plan(vocabulary: Vocabulary, mappings: Mappings) -> Iterator[Profile]:
    fragments = vocabulary.data.document("fragments.yaml").members()
    anchors = _anchor_types(vocabulary, mappings)
    case_fields = {f"case.{name}": field for name, field in vocabulary.case.fields.items()}
    for group in _groups(mappings):
        for name, mapping in group.mappings.items():
            places = {place.required("role").text(): place.members() for place in mapping.shape.resources.items()}
            own_types = {one.role: frozenset({one.resource_type}) for one in mapping.templates}
            surely_made = {
                one.role
                for one in mapping.templates
                if one.when is None and one.each is None and one.identity is None
            }
            setting = Setting(
                fields={**case_fields, **mapping.shape.fields},
                tables=vocabulary.tables,
                fragments=fragments,
                reference_types={**anchors, **own_types},
                always=group.always,
                always_referred=group.referred | surely_made,
            )
            reader = TemplateReader(setting)
            for template in mapping.templates:
                if not has_base_snapshot(template.resource_type):
                    continue
                place = places[template.role]
                outline = reader.read(place["resource"], place.get("when"))
                identifier, title, says = _naming(group.prefix, name, mapping, template.role, place["resource"])
                yield Profile(identifier, title, says, outline, frozenset({template.rule}))


def _naming(prefix: str, name: str, mapping: RecordMapping, role: str, resource: Located) -> tuple[str, str, str]:
    """Return the id, the title and the description of a template's profile."""
    fragment = resource.members().get("$like")
    if fragment is not None and len(resource.members()) == 1:
        words = fragment.text().replace("_", " ").capitalize()
        return fhir_id(fragment.text()), words, f"{words}, as every record of its kind makes it."
    title = mapping.shape.title if role == name else f"{mapping.shape.title}: {role.replace('_', ' ')}"
    return fhir_id(prefix, name, role), title, mapping.shape.says
