"""The embedded endpoint over HTTP, also after its process was killed."""

from __future__ import annotations

import threading
from pathlib import Path

import httpx

from tests.endpoint.resources import PATIENTS, entry, observation, patient, transaction
from tests.support.start_endpoint import started_endpoint

FHIR = {"Content-Type": "application/fhir+json"}


def test_the_base_takes_bundles_with_and_without_a_slash_and_links_lead_back(tmp_path: Path) -> None:
    with started_endpoint(tmp_path / "e.sqlite") as (base, _), httpx.Client(headers=FHIR) as client:
        for number, url in enumerate((base, f"{base}/")):
            bundle = transaction(entry("POST", "Patient", patient(identifier=f"P-{number}")))
            assert client.post(url, json=bundle).status_code == 200
        page = client.get(f"{base}/Patient?_count=1").json()
        following = next(link["url"] for link in page["link"] if link["relation"] == "next")
        assert following.startswith(f"{base}/Patient?")
        assert len(client.get(following).json()["entry"]) == 1
        assert client.get(page["entry"][0]["fullUrl"]).status_code == 200


def test_what_was_answered_survives_the_death_of_the_process(tmp_path: Path) -> None:
    """The process is killed in the middle of writes; all that was answered is there, and bundles are whole."""
    store_path = tmp_path / "e.sqlite"
    answered: list[int] = []
    with started_endpoint(store_path) as (base, process):

        def write(number_from: int) -> None:
            with httpx.Client(headers=FHIR) as client:
                for number in range(number_from, number_from + 10_000):
                    name = f"n{number}"
                    bundle = transaction(
                        entry("PUT", f"Observation/{name}", observation(name, subject=f"Patient/{name}")),
                        entry("PUT", f"Patient/{name}", patient(name, identifier=name)),
                    )
                    try:
                        answer = client.post(base, json=bundle)
                    except httpx.TransportError:
                        return
                    if answer.status_code == 200:
                        answered.append(number)

        writers = [threading.Thread(target=write, args=(number * 10_000,)) for number in range(4)]
        for writer in writers:
            writer.start()
        for writer in writers:
            writer.join(timeout=0.4)
        process.kill()
        for writer in writers:
            writer.join()
    assert len(answered) > 10
    with started_endpoint(store_path) as (base, _), httpx.Client(headers=FHIR) as client:
        # The newest are those that a lost commit would have taken; the totals below count all of them.
        for number in answered[-100:]:
            found = client.get(f"{base}/Patient?identifier={PATIENTS}|n{number}").json()
            assert found["total"] == 1
            assert client.get(f"{base}/Observation/n{number}").status_code == 200
        totals = [client.get(f"{base}/{name}?_count=0").json()["total"] for name in ("Patient", "Observation")]
        assert totals[0] == totals[1] >= len(answered)
