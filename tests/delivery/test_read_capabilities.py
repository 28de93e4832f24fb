"""What a server says of itself is read, and a strategy is chosen by it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.delivery.read_capabilities import (
    Capabilities,
    NotAFhirServerError,
    TypeCapabilities,
    choose_strategy,
    missing_capabilities,
    read_capabilities,
    silent_on_client_ids,
)
from service.settings import Strategy

ALL = {"updateCreate": True, "conditionalCreate": True, "conditionalUpdate": True}
NEEDED = ("Patient", "Observation")


def statement(*resources: dict[str, Any], **more: Any) -> dict[str, Any]:
    return {
        "resourceType": "CapabilityStatement",
        "fhirVersion": "4.0.1",
        "software": {"name": "a server"},
        "rest": [{"mode": "server", "interaction": [{"code": "transaction"}], "resource": list(resources)}],
        **more,
    }


def capabilities(**types: TypeCapabilities) -> Capabilities:
    return Capabilities("4.0.1", "a server", transaction=True, types=types)


def kind(*, update_create: bool, conditional_create: bool, conditional_update: bool) -> TypeCapabilities:
    return TypeCapabilities(update_create, conditional_create, conditional_update)


EVERYTHING = kind(update_create=True, conditional_create=True, conditional_update=True)
BY_CONDITION = kind(update_create=False, conditional_create=True, conditional_update=True)
CREATE_ONLY = kind(update_create=False, conditional_create=True, conditional_update=False)
NOTHING = kind(update_create=False, conditional_create=False, conditional_update=False)


def test_what_a_server_says_of_its_types_is_read() -> None:
    read = read_capabilities(statement({"type": "Patient", **ALL}, {"type": "Observation", "updateCreate": False}))
    assert read == capabilities(Patient=EVERYTHING, Observation=replace(NOTHING, denies_update_create=True))


def test_a_server_is_silent_on_client_ids_where_it_says_nothing_and_denies_none() -> None:
    denied = replace(NOTHING, denies_update_create=True)
    assert silent_on_client_ids(capabilities(Patient=EVERYTHING, Observation=NOTHING), NEEDED) == ["Observation"]
    assert silent_on_client_ids(capabilities(Patient=denied, Observation=NOTHING), NEEDED) == []
    # A type that is not sent has no say, and of one that is not listed nothing can be remarked.
    assert silent_on_client_ids(capabilities(Device=denied, Patient=NOTHING), NEEDED) == ["Patient"]


def test_what_a_server_does_not_say_it_cannot() -> None:
    read = read_capabilities(statement(rest=[{"mode": "client"}, {"mode": "server"}], software=None))
    assert read == Capabilities("4.0.1", "not said", transaction=False, types={})


@pytest.mark.parametrize(
    ("broken", "says"),
    [
        (None, "not a CapabilityStatement"),
        ([statement()], "not a CapabilityStatement"),
        ({"resourceType": "Patient"}, "not a CapabilityStatement"),
        (statement(fhirVersion="5.0.0"), "FHIR 5.0.0"),
        (statement(fhirVersion="3.0.2"), "FHIR 3.0.2"),
        (statement(fhirVersion=None), "FHIR None"),
        (statement(rest=None), "describes no server"),
        (statement(rest=[{"mode": "client"}]), "describes no server"),
        (statement(rest={"mode": "server"}), "at rest"),
        (statement(rest=["server"]), "at rest"),
        (statement(rest=[{"mode": "server", "interaction": [1]}]), "at interaction"),
        (statement(rest=[{"mode": "server", "resource": ["Patient"]}]), "at resource"),
    ],
)
def test_what_is_no_r4_server_is_named(broken: object, says: str) -> None:
    with pytest.raises(NotAFhirServerError, match=says):
        read_capabilities(broken)


JSON = st.recursive(
    st.none() | st.booleans() | st.integers(-99, 999) | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=8,
)
MEMBERS = st.sampled_from(["software", "rest", "fhirVersion", "resourceType"])
SERVER_MEMBERS = st.sampled_from(["interaction", "resource", "mode"])


@given(st.dictionaries(MEMBERS, JSON, max_size=2), st.dictionaries(SERVER_MEMBERS, JSON, max_size=2))
def test_no_answer_makes_anything_but_capabilities_or_the_one_error(
    changed: dict[str, Any], server: dict[str, Any]
) -> None:
    spoiled = statement(rest=[{"mode": "server", **server}]) | changed
    try:
        read = read_capabilities(spoiled)
    except NotAFhirServerError:
        return
    assert read.fhir_version.startswith("4.0")


@pytest.mark.parametrize(
    ("types", "chosen"),
    [
        ({"Patient": EVERYTHING, "Observation": EVERYTHING}, Strategy.CLIENT_IDS),
        ({"Patient": EVERYTHING}, Strategy.CLIENT_IDS),
        ({"Patient": EVERYTHING, "Observation": BY_CONDITION}, Strategy.CONDITIONAL_UPDATE),
        ({"Patient": BY_CONDITION, "Observation": CREATE_ONLY}, Strategy.CONDITIONAL_CREATE),
        ({"Patient": EVERYTHING, "Observation": EVERYTHING, "Basic": NOTHING}, Strategy.CLIENT_IDS),
        ({"Basic": EVERYTHING}, Strategy.CONDITIONAL_CREATE),
        ({}, Strategy.CONDITIONAL_CREATE),
    ],
)
def test_the_strategy_is_the_best_that_all_types_needed_allow(
    types: dict[str, TypeCapabilities], chosen: Strategy
) -> None:
    assert choose_strategy(capabilities(**types), NEEDED, Strategy.AUTO) is chosen


@pytest.mark.parametrize("wish", [wish for wish in Strategy if wish is not Strategy.AUTO])
def test_a_wish_overrules_what_the_server_says(wish: Strategy) -> None:
    assert choose_strategy(capabilities(Patient=NOTHING), NEEDED, wish) is wish
    assert choose_strategy(capabilities(Patient=EVERYTHING), NEEDED, wish) is wish


def test_what_is_missing_for_a_strategy_is_said_type_by_type() -> None:
    known = Capabilities("4.0.1", "a server", transaction=False, types={"Patient": CREATE_ONLY, "Basic": NOTHING})
    assert missing_capabilities(known, NEEDED, Strategy.CLIENT_IDS) == [
        "the server does not say that it takes transactions",
        "the server does not list: Observation",
        "no ids of the client's choice (updateCreate) for: Patient",
    ]
    assert missing_capabilities(capabilities(Patient=CREATE_ONLY), ["Patient"], Strategy.CONDITIONAL_CREATE) == []
    assert missing_capabilities(capabilities(Patient=CREATE_ONLY), ["Patient"], Strategy.CONDITIONAL_UPDATE) == [
        "no conditional update for: Patient"
    ]
