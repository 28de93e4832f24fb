"""The circuit opens by failures in a row, lets one probe through, and closes by the first success."""

from __future__ import annotations

import pytest

from service.delivery.circuit import Circuit, CircuitState
from service.delivery.destination_state import DestinationState
from service.delivery.judge_answer import Arrived, DestinationWrong, Later, Refused, ServerConflict, Verdict
from service.delivery.read_capabilities import Capabilities
from service.settings import Strategy

SAYS = Capabilities("4.0.1", "a server", transaction=True, types={})


def _working() -> DestinationState:
    state = DestinationState("http://127.0.0.1:1/fhir", frozenset())
    state.answer(SAYS, Strategy.CLIENT_IDS)
    state.note(Arrived(()))
    return state


def test_nothing_is_sent_before_the_server_has_said_what_it_can_do_and_then_one_lane() -> None:
    state = DestinationState("http://127.0.0.1:1/fhir", frozenset())
    assert (state.is_usable, state.circuit.lanes(8)) == (False, 0)
    state.answer(SAYS, Strategy.CLIENT_IDS)
    assert (state.is_usable, state.circuit.lanes(8)) == (True, 1)
    state.note(Arrived(()))
    assert state.circuit.lanes(8) == 8


@pytest.mark.parametrize(
    "verdict", [Later("nothing listens", is_unreachable=True), DestinationWrong("the server answered 401")]
)
def test_a_server_that_cannot_be_reached_or_used_opens_it_at_once(verdict: Verdict) -> None:
    state = _working()
    state.note(verdict)
    assert not state.is_usable
    assert state.as_json()["circuit"] == "open"
    assert state.problem == verdict.reason  # type: ignore[union-attr]  # Both have one.


def test_a_server_that_says_not_now_opens_it_after_five_answers_in_a_row() -> None:
    state = _working()
    for _ in range(4):
        state.note(Later("the server answered 503", is_down=True))
    state.note(Arrived(()))
    for _ in range(4):
        state.note(Later("the server answered 503", is_down=True))
        assert state.is_usable
    state.note(Later("the server answered 503", 7.0, is_down=True))
    assert not state.is_usable
    assert state.circuit.after_seconds == 7.0


@pytest.mark.parametrize("verdict", [Refused("400", {}), ServerConflict("409", 5, {}), Arrived(())])
def test_a_server_that_refuses_for_a_reason_works(verdict: Verdict) -> None:
    state = _working()
    state.circuit.probe()
    state.note(verdict)
    assert state.circuit.state is CircuitState.CLOSED


def test_an_error_at_one_request_says_nothing_of_the_server() -> None:
    state = _working()
    for _ in range(20):
        state.note(Later("the server answered 500", is_error=True))
    assert state.circuit.state is CircuitState.CLOSED


def test_a_probe_that_fails_opens_it_again_and_the_pauses_grow_until_a_success() -> None:
    circuit = Circuit()
    circuit.probe()
    for opened in range(1, 4):
        circuit.fail(None)
        assert (circuit.state, circuit.openings) == (CircuitState.OPEN, opened)
        circuit.probe()
    circuit.succeed()
    assert circuit.openings == 0


def test_lanes_that_fail_together_open_it_once() -> None:
    circuit = Circuit()
    circuit.succeed()
    for _ in range(8):
        circuit.open()
    assert circuit.openings == 1
