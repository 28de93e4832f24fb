"""Whatever JSON value is checked, the check answers with findings and never raises."""

from __future__ import annotations

import copy
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from service.checking.check_resource import check_resource
from service.checking.table import COVERED_RESOURCES, TYPES
from service.records.finding import Finding
from tests.checking.good_resources import GOOD_KINDS, good_resource
from tests.checking.mutants import mutants
from tests.support.second_reader import second_reading

names = st.sampled_from(
    sorted(
        {element.name.removesuffix("[x]") for definition in TYPES.values() for element in definition.elements}
        | {"resourceType", "valueString", "_status", "valueReference", "_given"}
    )
)
texts = st.text(max_size=5) | st.sampled_from(["#a", "#", "Patient/1", "urn:uuid:x", "\ud800", "transaction"])
json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | texts | st.sampled_from(sorted(COVERED_RESOURCES)),
    lambda children: (
        st.lists(children, max_size=3)
        | st.dictionaries(names, children, max_size=5)
        | st.dictionaries(st.text(max_size=5), children, max_size=2)
    ),
    max_leaves=20,
)


@given(value=json_values)
@settings(max_examples=300, deadline=None)
def test_no_json_value_makes_the_check_raise(value: Any) -> None:
    assert all(isinstance(finding, Finding) for finding in check_resource(value))


@given(kind=st.sampled_from(GOOD_KINDS), members=st.dictionaries(names, json_values, min_size=1, max_size=5))
@settings(max_examples=500, deadline=None)
def test_no_members_of_a_resource_make_the_check_raise(kind: str, members: dict[str, Any]) -> None:
    whole = {**good_resource(kind), **members}

    assert all(isinstance(finding, Finding) for finding in check_resource(whole))
    assert all(isinstance(finding, Finding) for finding in check_resource({"resourceType": kind, **members}))


@given(kind=st.sampled_from(GOOD_KINDS), value=json_values, data=st.data())
@settings(max_examples=500, deadline=None)
def test_no_value_anywhere_in_a_good_resource_makes_the_check_raise(
    kind: str, value: Any, data: st.DataObject
) -> None:
    resource = good_resource(kind)
    node: Any = resource
    while True:
        place = data.draw(st.sampled_from(list(node) if isinstance(node, dict) else list(range(len(node)))))
        child = node[place]
        if not isinstance(child, dict | list) or not child or data.draw(st.booleans()):
            break
        node = child
    node[place] = copy.deepcopy(value)

    assert all(isinstance(finding, Finding) for finding in check_resource(resource))


def test_no_mutant_makes_either_reader_raise() -> None:
    for mutant in mutants(seed=7, count=1500):
        check_resource(mutant)
    for mutant in mutants(seed=8, count=200):
        second_reading(mutant)
