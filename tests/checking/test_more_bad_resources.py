"""Bad resources of seventeen categories are found, each by its rule."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from service.checking.check_resource import check_resource
from service.exact_json import read_json, write_json
from tests.checking.good_resources import Resource
from tests.checking.more_bad_resources import MORE_BAD_RESOURCES, bad_resources_by_category
from tests.support.known_differences import BAD_BUT_TAKEN_BY_BOTH, BAD_BUT_TAKEN_BY_THE_TABLE

MORE = [case for cases in MORE_BAD_RESOURCES.values() for case in cases]


@pytest.mark.parametrize(("make", "rule"), [case[1:] for case in MORE], ids=[case[0] for case in MORE])
def test_a_bad_resource_is_found_by_its_rule(make: Callable[[], Resource], rule: str) -> None:
    # A fault may break more than one rule; the one that it was made for must be named.
    assert rule in {finding.rule for finding in check_resource(make()) if finding.severity == "error"}


def test_all_bad_resources_but_those_of_terminology_are_refused() -> None:
    cases = [case for some in bad_resources_by_category().values() for case in some]
    assert len(cases) >= 100
    taken = {
        name.split()[0]
        for name, make, _ in cases
        if not any(finding.severity == "error" for finding in check_resource(make()))
    }
    assert taken == {*BAD_BUT_TAKEN_BY_THE_TABLE, *BAD_BUT_TAKEN_BY_BOTH}


def test_no_two_bad_resources_are_the_same() -> None:
    made = [write_json(case[1]()) for cases in bad_resources_by_category().values() for case in cases]
    assert len(set(made)) == len(made)
    assert all(isinstance(read_json(body), dict) for body in made)
