"""The shipped stages, changed in one thing: every resource claims the profile of its template."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

from service.conformance.plan_profiles import plan_profiles
from service.making.stages import Stages
from service.mapping.apply_mapping import RecordMapping, ResourceTemplate
from service.mapping.compile_template import Constant
from tests.support.fhir_package import shipped_stages


@cache
def claiming_stages() -> Stages:
    """Return the stages; what they make differs from what the service makes in `meta.profile` alone."""
    stages = shipped_stages()
    planned = plan_profiles(stages.vocabulary, stages.mappings)
    urls = {rule: profile.url for profile in planned for rule in profile.rules}

    def claiming(template: ResourceTemplate, mapping: RecordMapping) -> ResourceTemplate:
        held = dict(template.members)
        before = held["meta"].render({}) if "meta" in held else {}
        meta = {**before, "profile": [*before.get("profile", ()), urls[template.rule]]}
        return replace(template, members=(*{**held, "meta": Constant(meta, mapping.shape.place)}.items(),))

    def changed(mapping: RecordMapping) -> RecordMapping:
        return replace(mapping, templates=tuple(claiming(template, mapping) for template in mapping.templates))

    return replace(stages, remembered={}, mappings=stages.mappings.changed(changed))
