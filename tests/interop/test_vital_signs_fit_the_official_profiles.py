"""HL7's validator holds our vital signs against the official R4 profiles, each named by its URL."""

from __future__ import annotations

from copy import deepcopy

import pytest

from tests.support.measure_validation import Resource, without_profile
from tests.support.reader_process import ReaderProcess
from tests.support.verdict import lines
from tests.support.vital_sign_profiles import VITAL_SIGNS, VitalSign

pytestmark = pytest.mark.java

each_vital_sign = pytest.mark.parametrize("sign", VITAL_SIGNS, ids=lambda sign: sign.profile)


def of_sign(ours: list[Resource], sign: VitalSign) -> list[Resource]:
    found = [resource for resource in ours if sign.is_of(resource)]
    assert len(found) >= 5, f"there are only {len(found)} of {sign.title}"
    return found


@each_vital_sign
def test_our_vital_signs_fit_the_profile_and_claim_it(
    sign: VitalSign, ours: list[Resource], hl7: ReaderProcess
) -> None:
    found = of_sign(ours, sign)
    verdicts = hl7.validate(map(without_profile, found), profiles=[sign.url])
    assert [lines(verdict.errors) for verdict in verdicts if not verdict.accepted] == []
    assert {tuple(resource["meta"]["profile"]) for resource in found} == {(sign.url,)}


@each_vital_sign
def test_the_profile_refuses_what_breaks_it(sign: VitalSign, ours: list[Resource], hl7: ReaderProcess) -> None:
    good = without_profile(of_sign(ours, sign)[0])
    spoiled = sign.all_spoiled(good)
    verdicts = dict(zip(spoiled, hl7.validate(spoiled.values(), profiles=[sign.url]), strict=True))
    assert [what for what, verdict in verdicts.items() if verdict.accepted] == []
    # Each is refused for the sake of the profile: R4 alone takes all of them.
    plain = dict(zip(spoiled, hl7.validate(map(_without_vital_category, spoiled.values())), strict=True))
    assert [what for what, verdict in plain.items() if verdict.errors] == []


def _without_vital_category(resource: Resource) -> Resource:
    """Return the resource without what makes the validator apply the vital-signs profiles unasked: their codes."""
    return {**resource, "code": {"text": "something else"}, "category": [{"text": "something else"}]}


def test_the_codings_that_seem_to_lie_outside_the_vital_signs_set_are_all_inside(
    ours: list[Resource], hl7: ReaderProcess
) -> None:
    # The remark is about codings beside the one that the profile wants, which cannot be looked up offline.
    signs = [resource for resource in ours for sign in VITAL_SIGNS if sign.is_of(resource)]
    outside = "in the value set 'Vital Signs'"
    assert any(outside in issue.text for verdict in hl7.validate(signs) for issue in verdict.issues)
    alone = [_with_first_code_alone(resource) for resource in signs]
    said = {str(issue) for verdict in hl7.validate(alone) for issue in verdict.issues}
    assert [text for text in said if outside in text] == []


def _with_first_code_alone(resource: Resource) -> Resource:
    """Return the resource with the first coding of each code, which is the one of the profile."""
    changed = deepcopy(resource)
    for part in (changed, *changed.get("component", ())):
        [first, *_] = part["code"]["coding"]
        assert first["system"] == "http://loinc.org"
        part["code"]["coding"] = [first]
    return changed
