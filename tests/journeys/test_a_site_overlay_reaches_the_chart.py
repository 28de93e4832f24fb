"""A service that runs with the sample overlay sends what the overlay says, and explains it line by line."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from service.data_folders import data_folder
from service.main import ServeOptions, build_application
from service.problems import WrongMapping
from service.settings import Settings
from tests.support.exact_comparison import spelled, without_server_meta
from tests.support.overlays import SHIPPED_OVERLAY
from tests.support.whole_service import WholeService, settings_in, whole_service

PROFILE = "https://fhir.hospital.example/StructureDefinition/shock"
LOCAL = {"system": "urn:example:hospital:codes", "code": "RHY-VF", "display": "VF"}
CASE = "c-demo"


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[WholeService]:
    """A service with the sample overlay that has delivered the demonstration's case."""
    settings = _with_overlay(settings_in(tmp_path_factory.mktemp("site")))
    with whole_service(settings) as service:
        service.post_device_check()
        service.post_case_example("demo", CASE)
        service.wait_until_delivered()
        yield service


def _with_overlay(settings: Settings) -> Settings:
    return settings.model_copy(update={"mappings": SHIPPED_OVERLAY})


@dataclass(frozen=True, slots=True)
class Explained:
    """The answer to `?explain=true`, its explanations by the record and the rule."""

    bundle: dict[str, Any]
    by_reference: dict[str, dict[str, Any]]

    def of_rule(self, rule: str) -> dict[str, Any]:
        """Return the first explanation of a resource that a rule made."""
        return next(one for one in self.by_reference.values() if one["rule"] == rule)


def _explain(service: WholeService, case_id: str) -> Explained:
    answer = service.get(f"/v1/cases/{case_id}/fhir", explain="true")
    assert set(answer) == {"bundle", "explanation"}
    return Explained(answer["bundle"], {one["resource"]: one for one in answer["explanation"]})


def test_the_fhir_endpoint_holds_the_coding_and_the_claim_of_the_overlay(site: WholeService) -> None:
    resources = site.resources(CASE)
    rhythms = [one for one in resources if LOCAL in one.get("valueCodeableConcept", {}).get("coding", ())]
    shocks = [one for one in resources if PROFILE in one.get("meta", {}).get("profile", ())]
    assert rhythms
    assert shocks
    for one in (*rhythms, *shocks):
        assert spelled(without_server_meta(site.at_endpoint(one["resourceType"], one["id"]))) == spelled(
            without_server_meta(one)
        )


def test_the_observation_that_the_overlay_drops_is_never_sent(site: WholeService) -> None:
    rules = {rule for (rule,) in site.rows("SELECT DISTINCT rule FROM resources")}
    assert "events/vital_signs.yaml#set" not in rules
    assert "events/vital_signs.yaml#heart_rate" in rules


def test_a_word_that_only_the_overlay_knows_is_coded_and_no_longer_unmapped(
    site: WholeService, fresh: WholeService
) -> None:
    event = {
        "id": "e-pause",
        "kind": "compressions_paused",
        "at": "2031-03-02T10:05:00+01:00",
        "reason": "cassette_placement",
    }
    site.open_case("c-pause")
    fresh.open_case("c-pause")
    assert site.take_event("c-pause", event)["warnings"] == []
    (warning,) = fresh.take_event("c-pause", event)["warnings"]
    assert (warning["code"], warning["pointer"]) == ("unmapped_value", "/reason")
    assert "'pause_reason'" in warning["message"]
    assert "PAUSE-XRAY" in str(site.resources("c-pause"))
    assert "PAUSE-XRAY" not in str(fresh.resources("c-pause"))


def test_explaining_gives_the_same_bundle_and_an_explanation_of_each_resource(site: WholeService) -> None:
    explained = _explain(site, CASE)
    assert explained.bundle == site.get(f"/v1/cases/{CASE}/fhir")
    references = [f"{one['resource']['resourceType']}/{one['resource']['id']}" for one in explained.bundle["entry"]]
    assert list(explained.by_reference) == references
    for one in explained.by_reference.values():
        assert one["state"] == "as_stored", one["rule"]
        assert one["elements"], one["rule"]
    kinds = {one["record"].partition(":")[0] for one in explained.by_reference.values()}
    assert kinds == {"case", "event", "span", "device"}


def test_an_element_names_its_field_and_its_line(site: WholeService) -> None:
    details = _explain(site, CASE).of_rule("events/shock_delivered.yaml#details")
    (energy,) = [
        element for element in details["elements"] if element["from"] == ["energy_delivered_joules as quantity"]
    ]
    assert energy["path"] == "Observation.component[1].valueQuantity"
    assert energy["fields"] == ["energy_delivered_joules"]
    text = (data_folder("mappings") / "events/shock_delivered.yaml").read_text(encoding="utf-8")
    line = text[: text.index("<energy_delivered_joules as quantity>")].count("\n") + 1
    assert energy["line"] == f"events/shock_delivered.yaml:{line}"


def test_a_retracted_event_explains_its_status_by_the_retraction(site: WholeService) -> None:
    site.open_case("c-retracted")
    event = {"id": "e-1", "kind": "remark", "at": "2031-03-02T10:05:00+01:00", "text": "mistaken"}
    site.take_event("c-retracted", event)
    assert site.send("DELETE", "/v1/cases/c-retracted/events/e-1", reason="mistake").status_code == 200
    remark = _explain(site, "c-retracted").of_rule("events/remark.yaml#remark")
    assert remark["state"] == "as_stored"
    (status,) = [element for element in remark["elements"] if element["path"] == "Observation.status"]
    assert (status["fields"], status["from"]) == ([], ["retraction"])


def test_explaining_an_unknown_case_answers_404(site: WholeService) -> None:
    assert site.send("GET", "/v1/cases/c-nowhere/fhir", explain="true").status_code == 404


def test_a_changed_mapping_is_flagged_until_the_records_are_made_anew(tmp_path: Path) -> None:
    settings = settings_in(tmp_path)
    with whole_service(settings, delivers=False) as service:
        service.post_case_example("demo", CASE)
        assert {one["state"] for one in _explain(service, CASE).by_reference.values()} == {"as_stored"}
        before = service.get(f"/v1/cases/{CASE}/fhir")
    with whole_service(_with_overlay(settings), delivers=False) as service:
        explained = _explain(service, CASE)
        assert explained.bundle == before
        assert explained.of_rule("events/vital_signs.yaml#set")["state"] == "not_made"
        assert explained.of_rule("events/vital_signs.yaml#set")["elements"] == []
        assert explained.of_rule("events/shock_delivered.yaml#shock")["state"] == "differs"
        assert explained.of_rule("events/medication_given.yaml#administration")["state"] == "as_stored"


def test_a_service_with_a_wrong_overlay_does_not_start(tmp_path: Path) -> None:
    wrong = tmp_path / "overlay" / "events"
    wrong.mkdir(parents=True)
    (wrong / "remark.yaml").write_text("resources:\n  note: {drop: true}\n", encoding="utf-8")
    settings = settings_in(tmp_path).model_copy(update={"mappings": wrong.parent})
    with pytest.raises(WrongMapping, match=r"remark\.yaml:2: there is no resource of the role 'note'"):
        build_application(settings, ServeOptions("http://127.0.0.1"))
