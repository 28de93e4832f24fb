"""What an OperationOutcome speaks of is traced to a resource where that is certain."""

from __future__ import annotations

import pytest

from service.delivery.build_bundle import Outgoing
from service.delivery.find_concerns import Concern, find_concerns

SENT = [
    Outgoing("Procedure", "p-1", b"{}"),
    Outgoing("Observation", "o-1", b"{}"),
    Outgoing("Observation", "o-2", b"{}"),
]


def outcome(*expressions: str, name: str = "expression") -> dict[str, object]:
    return {"resourceType": "OperationOutcome", "issue": [{"severity": "error", name: list(expressions)}]}


@pytest.mark.parametrize(
    ("expression", "concern"),
    [
        ("Bundle.entry[1].resource.code", Concern("Observation/o-1", "Observation.code")),
        (
            "Bundle.entry[2].resource.component[0].value",
            Concern("Observation/o-2", "Observation.component[0].value"),
        ),
        ("Bundle.entry[0].resource.ofType(Procedure).status", Concern("Procedure/p-1", "Procedure.status")),
        ("Bundle.entry[0].resource/*Procedure/p-1*/.status", Concern("Procedure/p-1", "Procedure.status")),
        ("Bundle.entry[0].resource", Concern("Procedure/p-1", "Procedure")),
        ("Bundle.entry[0]", Concern("Procedure/p-1", "Procedure")),
        ("Bundle.entry[0].request.url", Concern("Procedure/p-1", "Procedure")),
        ("Procedure.status", Concern("Procedure/p-1", "Procedure.status")),
    ],
)
def test_an_expression_that_can_mean_one_resource_only_is_followed(expression: str, concern: Concern) -> None:
    assert find_concerns(outcome(expression), SENT) == [concern]
    assert find_concerns(outcome(expression, name="location"), SENT) == [concern]


@pytest.mark.parametrize(
    "expression",
    ["Observation.code", "Bundle.entry[3].resource.code", "Bundle", "Patient.name", "", "Bundle.entry[x]"],
)
def test_what_cannot_be_told_is_left_out(expression: str) -> None:
    assert find_concerns(outcome(expression), SENT) == []


def test_the_entry_that_failed_decides_between_resources_of_one_type() -> None:
    assert find_concerns(outcome("Observation.code"), SENT, 2) == [Concern("Observation/o-2", "Observation.code")]
    assert find_concerns(outcome(), SENT, 1) == [Concern("Observation/o-1", "Observation")]
    assert find_concerns(outcome(), SENT, 7) == []


def test_a_resource_is_named_once_for_each_element() -> None:
    found = find_concerns(outcome("Bundle.entry[0].resource.code", "Procedure.code", "Procedure.status"), SENT)
    assert [concern.path for concern in found] == ["Procedure.code", "Procedure.status"]


def test_a_path_that_is_none_is_cut_off_so_that_no_value_of_the_server_gets_through() -> None:
    (concern,) = find_concerns(outcome("Bundle.entry[0].resource.note = 'said the patient'"), SENT)
    assert concern == Concern("Procedure/p-1", "Procedure")


@pytest.mark.parametrize(
    "broken", [{}, {"issue": None}, {"issue": [None, {"expression": "x"}, {"expression": [1]}]}]
)
def test_an_outcome_of_another_shape_concerns_nothing(broken: dict[str, object]) -> None:
    assert find_concerns(broken, SENT) == []
