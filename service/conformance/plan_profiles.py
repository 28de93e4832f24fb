"""Finds, for every template of the compiled mappings, the profile that its resources meet."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from service.conformance.base_snapshots import has_base_snapshot
from service.conformance.canonical import canonical, fhir_id
from service.conformance.outline_template import ResourceOutline, Setting, TemplateOutliner
from service.mapping.apply_mapping import RecordMapping
from service.mapping.load_mappings import Mappings
from service.vocabulary.computed_names import always_in
from service.vocabulary.load_vocabulary import Vocabulary
from service.vocabulary.template_language import ResourceNode

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
        _Group("", mappings.events, always_in("event"), _IN_A_CASE),
        _Group("", mappings.spans, always_in("span"), _IN_A_CASE),
        _Group("", {"case": mappings.case}, always_in("case"), _IN_A_CASE),
        _Group("", {"device": mappings.device}, always_in("device"), frozenset()),
        _Group("", {"check": mappings.check}, always_in("check"), frozenset({"device"})),
        _Group("check-item", mappings.check_items, always_in("check_item"), frozenset({"device"})),
    ]


def _anchor_types(vocabulary: Vocabulary, mappings: Mappings) -> dict[str, frozenset[str]]:
    """Return the types of the resources that records refer to outside themselves."""
    types = {template.role: frozenset({template.resource_type}) for template in mappings.case.templates}
    types["device"] = frozenset(template.resource_type for template in mappings.device.templates)
    for name, mapping in mappings.spans.items():
        anchor = vocabulary.spans[name].span.anchor
        types[anchor] = frozenset(template.resource_type for template in mapping.templates)
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
    anchors = _anchor_types(vocabulary, mappings)
    case_fields = {f"case.{name}": field for name, field in vocabulary.case.fields.items()}
    for group in _groups(mappings):
        for name, mapping in group.mappings.items():
            own_types = {one.role: frozenset({one.resource_type}) for one in mapping.templates}
            setting = Setting(
                fields={**case_fields, **mapping.shape.fields},
                tables=vocabulary.tables,
                reference_types={**anchors, **own_types},
                always=group.always,
                always_referred=group.referred | {one.role for one in mapping.templates if one.node.is_always_made},
            )
            outliner = TemplateOutliner(setting)
            for template in mapping.templates:
                if not has_base_snapshot(template.resource_type):
                    continue
                outline = outliner.outline(template.node)
                identifier, title, says = _naming(group.prefix, name, mapping, template.node)
                yield Profile(identifier, title, says, outline, frozenset({template.rule}))


def _naming(prefix: str, name: str, mapping: RecordMapping, node: ResourceNode) -> tuple[str, str, str]:
    """Return the id, the title and the description of a template's profile."""
    if node.fragment is not None:
        words = node.fragment.replace("_", " ").capitalize()
        return fhir_id(node.fragment), words, f"{words}, as every record of its kind makes it."
    shape = mapping.shape
    title = shape.title if node.role == name else f"{shape.title}: {node.role.replace('_', ' ')}"
    return fhir_id(prefix, name, node.role), title, shape.says
