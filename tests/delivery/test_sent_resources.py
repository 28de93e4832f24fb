"""What was sent is found again in the bytes of its Bundle."""

from __future__ import annotations

import pytest

from service.delivery.build_bundle import Outgoing, build_bundle
from service.delivery.sent_resources import sent_resources
from service.exact_json import write_json
from service.settings import Strategy

PATIENT_ID = "0d6f3c1e-8a5d-5a0e-9a51-0d3c1a2b4c5d"
OBSERVATION_ID = "1e6f3c1e-8a5d-5a0e-9a51-0d3c1a2b4c5d"
PATIENT = Outgoing("Patient", PATIENT_ID, write_json({"resourceType": "Patient", "id": PATIENT_ID}))
OBSERVATION = Outgoing(
    "Observation",
    OBSERVATION_ID,
    write_json(
        {"resourceType": "Observation", "id": OBSERVATION_ID, "subject": {"reference": f"Patient/{PATIENT_ID}"}}
    ),
)


@pytest.mark.parametrize("strategy", [strategy for strategy in Strategy if strategy is not Strategy.AUTO])
def test_what_was_sent_is_found_by_our_references_and_refers_to_what_the_server_knows(strategy: Strategy) -> None:
    bundle = build_bundle([PATIENT, OBSERVATION], strategy, "https://fhir.example/r4", {})
    ours = strategy is Strategy.CLIENT_IDS
    remote = {
        f"Patient/{PATIENT_ID}": PATIENT_ID if ours else "77",
        f"Observation/{OBSERVATION_ID}": OBSERVATION_ID if ours else "78",
    }
    sent = sent_resources(bundle, remote)
    assert set(sent) == {f"Patient/{PATIENT_ID}", f"Observation/{OBSERVATION_ID}"}
    assert sent[f"Observation/{OBSERVATION_ID}"]["subject"] == {
        "reference": f"Patient/{remote[f'Patient/{PATIENT_ID}']}"
    }
