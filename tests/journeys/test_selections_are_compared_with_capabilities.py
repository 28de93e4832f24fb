"""A selection that the device cannot make, as the hospital states it, is taken with a warning."""

from __future__ import annotations

from tests.support.whole_service import WholeService

AT = "2031-03-02T10:02:05+01:00"


def test_an_energy_that_the_device_does_not_offer_is_taken_with_a_warning(running: WholeService) -> None:
    running.open_case("c-able")
    stated = {"type": "defibrillator", "capabilities": {"energy_selections_joules": [140, 260]}}
    assert running.send("PUT", "/v1/devices/D-able", stated).status_code == 201
    warned = running.take_event(
        "c-able",
        {"id": "e-1", "kind": "shock_delivered", "at": AT, "device": "D-able", "energy_selected_joules": 200},
    )
    assert [warning["rule"] for warning in warned["warnings"]] == ["energy-not-among-selections"]
    unwarned = running.take_event(
        "c-able",
        {"id": "e-2", "kind": "shock_delivered", "at": AT, "device": "D-able", "energy_selected_joules": 260},
    )
    assert unwarned["warnings"] == []
