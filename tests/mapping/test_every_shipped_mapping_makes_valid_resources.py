"""Every shipped template is applied to its example, to the least that is taken, and to each field alone.

What comes out is read by the official R4 table, by fhir.resources' R4B models and by fhirkit. The values are
those that the service computes, with made-up anchors.
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator, Mapping
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from service.checking.check_resource import check_resource
from service.exact_json import read_json, write_json
from service.mapping.apply_mapping import MadeResource, RecordMapping
from service.mapping.load_mappings import Mappings, load_mappings
from service.vocabulary.computed_names import ANCHORS
from service.vocabulary.conditions import read_condition
from service.vocabulary.load_vocabulary import Vocabulary
from service.vocabulary.record_shapes import RecordShape
from tests.support.fhirkit_reader import read_with_fhirkit
from tests.support.load_vocabulary import load_vocabulary
from tests.support.second_reader import second_reading

FOLDER = Path(__file__).parents[2] / "mappings"
SOURCE = "urn:example:resus"
AT = "2031-03-02T10:02:05+01:00"
LEAST = {"id": "e-1", "at": AT}
TYPE_OF_ANCHOR = {
    "patient": "Patient",
    "encounter": "Encounter",
    "location": "Location",
    "device": "Device",
    "resuscitation": "Procedure",
    "compressions": "Procedure",
    "pacing": "Procedure",
}
DEVICE_TIME = {
    "extension": [
        {
            "url": "https://resus-fhir.example/fhir/StructureDefinition/device-time",
            "extension": [{"url": "time", "valueDateTime": AT}, {"url": "clock", "valueString": "D-3"}],
        }
    ]
}
COMPUTED: dict[str, Any] = {
    "time": AT,
    "received": "2031-03-02T09:02:06.120Z",
    "version": 1,
    "activity": "create",
    "content_hash": "00" * 32,
    "case_id": "c-1",
    "device_id": "D-3",
    "check_id": "k-1",
    "record_key": "c-1/e-1",
}


@cache
def _vocabulary() -> Vocabulary:
    return load_vocabulary(FOLDER)


@cache
def _mappings() -> Mappings:
    return load_mappings(_vocabulary())


def _reference(kind: str, number: int) -> dict[str, str]:
    return {"reference": f"{kind}/0c5a3f0e-5a52-4a53-9a66-0f1b9b6e1c{number:02d}"}


def _anchors() -> dict[str, Any]:
    return {
        f"reference {name}": _reference(kind, number) for number, (name, kind) in enumerate(TYPE_OF_ANCHOR.items())
    }


STRIP_FIELDS = {"lead", "sampling_hertz", "samples_millivolts", "start", "documents"}


def _apply(mapping: RecordMapping, values: Mapping[str, Any]) -> list[MadeResource]:
    # Through JSON, so that numbers are what the service reads: fractions keep their digits.
    return mapping.apply(SOURCE, ("case", "record"), read_json(write_json(dict(values))))


def _example(shape: RecordShape) -> dict[str, Any]:
    assert isinstance(shape.example, dict), f"{shape.name} has no example"
    return {name: value for name, value in shape.example.items() if name != "kind"}


def _contents(shape: RecordShape, least: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
    """Yield the example, the least, and the least with each field of the example and each own wording alone."""
    example = _example(shape)
    yield example
    yield dict(least)
    for name, value in example.items():
        yield {**least, name: value}
    for name, field in shape.fields.items():
        if field.type == "concept":
            yield {**least, name: {"text": "something else"}}
            yield {**least, name: {"system": "urn:example:codes", "code": "x", "display": "Something else"}}
    names = [name for name in shape.fields if name not in least]
    if "stated_unknown" in shape.fields:
        yield {**least, "stated_unknown": names}


def _problems(resource: dict[str, Any]) -> list[str]:
    found = [str(finding) for finding in check_resource(resource) if finding.severity == "error"]
    found += [str(finding) for finding in second_reading(resource)]
    found += [str(issue) for issue in read_with_fhirkit(resource).errors]
    return found


def _assert_valid(made: list[MadeResource]) -> None:
    for resource in made:
        assert _problems(resource.body) == [], write_json(resource.body).decode()


EVENT_KINDS = sorted(path.stem for path in (FOLDER / "events").glob("*.yaml"))
ITEMS = sorted(path.stem for path in (FOLDER / "check_items").glob("*.yaml"))
SPANS = sorted(path.stem for path in (FOLDER / "spans").glob("*.yaml"))


def test_the_anchors_of_this_test_are_those_of_the_service() -> None:
    assert set(TYPE_OF_ANCHOR) == ANCHORS


def test_the_reader_would_notice_a_template_that_makes_an_invalid_resource() -> None:
    made = _apply(_mappings().events["remark"], {**LEAST, **COMPUTED, **_anchors()})
    assert _problems({**made[0].body, "status": "not-a-status"}) != []
    assert _problems({**made[0].body, "partOf": [_reference("Patient", 1)]}) != []


@pytest.mark.parametrize("kind", EVENT_KINDS)
def test_the_example_of_an_event_is_taken_as_it_stands(kind: str) -> None:
    shape = _vocabulary().events[kind]
    assert shape.example["kind"] == kind
    shape.model.model_validate(read_json(write_json(shape.example)))
    assert [rule.says for rule in shape.impossible if rule.holds(shape.example)] == []
    # Every own field is shown, save those of which an example may hold only a part.
    if kind != "pacing_changed":
        shown_elsewhere = {"paddle_force_kilograms", "electrode_size", "leads"}
        own = set(shape.fields) - set(_vocabulary().common_fields) - shown_elsewhere
        assert own <= set(shape.example)


@pytest.mark.parametrize("kind", EVENT_KINDS)
def test_an_event_with_no_more_than_id_kind_and_time_is_taken(kind: str) -> None:
    _vocabulary().events[kind].model.model_validate({**LEAST, "kind": kind})


@pytest.mark.parametrize("kind", EVENT_KINDS)
def test_whatever_an_event_lacks_its_resources_are_valid(kind: str) -> None:
    shape, mapping = _vocabulary().events[kind], _mappings().events[kind]
    for content in _contents(shape, LEAST):
        anchors = _anchors()
        if "device" not in content:
            del anchors["reference device"]
        made = _apply(mapping, {**content, **COMPUTED, **anchors})
        assert {resource.resource_type for resource in made} > {"Provenance"}
        _assert_valid(made)


@pytest.mark.parametrize("kind", EVENT_KINDS)
def test_an_event_on_a_device_clock_in_a_bare_case_gives_valid_resources(kind: str) -> None:
    shape, mapping = _vocabulary().events[kind], _mappings().events[kind]
    for activity in ("create", "revise", "retract"):
        values = {**_example(shape), **COMPUTED, "activity": activity, "device_time": DEVICE_TIME}
        bare = {"reference patient": _reference("Patient", 1)}
        if "device" in values:
            bare["reference device"] = _reference("Device", 2)
        _assert_valid(_apply(mapping, {**values, **bare}))


@pytest.mark.parametrize("kind", EVENT_KINDS)
def test_every_value_of_an_example_reaches_a_resource(kind: str) -> None:
    shape, mapping = _vocabulary().events[kind], _mappings().events[kind]
    whole = _example(shape)
    base = [resource.body for resource in _apply(mapping, {**whole, **COMPUTED, **_anchors()})]
    for name in whole.keys() - {"id", "at", "clock", "precision_seconds", "device", "stated_unknown"}:
        # What follows from another value, or says nothing new, may leave the resources as they are.
        # The samples of a strip reach it as segments, which tests of the strip and journeys prove.
        if (kind, name) == ("rhythm_assessed", "shockable") or (kind == "ecg_strip" and name in STRIP_FIELDS):
            continue
        without = {key: value for key, value in whole.items() if key != name}
        bodies = [resource.body for resource in _apply(mapping, {**without, **COMPUTED, **_anchors()})]
        assert bodies != base, f"{name} is lost"


@pytest.mark.parametrize("kind", EVENT_KINDS)
def test_a_component_without_its_measurement_vanishes_with_its_code(kind: str) -> None:
    mapping = _mappings().events[kind]
    for resource in _apply(mapping, {**LEAST, **COMPUTED, **_anchors()}):
        for component in resource.body.get("component", []):
            assert any(name.startswith(("value", "dataAbsent")) for name in component), component


@pytest.mark.parametrize("kind", EVENT_KINDS)
def test_every_resource_of_an_event_hangs_on_patient_and_resuscitation(kind: str) -> None:
    anchors = {
        name: value for name, value in _anchors().items() if name.split()[1] not in ("compressions", "pacing")
    }
    made = _apply(_mappings().events[kind], {**_example(_vocabulary().events[kind]), **COMPUTED, **anchors})
    own = {resource.reference for resource in made}
    known = own | {reference["reference"] for reference in anchors.values()}
    for resource in made:
        body = resource.body
        if resource.resource_type == "Provenance":
            assert {target["reference"] for target in body["target"]} == own - {resource.reference}
            continue
        assert {"system": "urn:ietf:rfc:3986", "value": f"urn:uuid:{resource.id}"} in body["identifier"]
        if kind == "clock_compared":
            assert body["subject"] == anchors["reference device"]
            continue
        assert body["subject"] == anchors["reference patient"]
        assert anchors["reference encounter"] in (body.get("encounter"), body.get("context"))
        if resource.resource_type != "Condition":
            assert {reference["reference"] for reference in body["partOf"]} <= known


CASES: dict[str, dict[str, Any]] = {
    "unidentified": {"patient": {"unidentified": True, "label": "unidentified 2031-03-02 A"}},
    "identified": {"patient": {"identifier": {"system": "urn:example:hospital:patients", "value": "P-100"}}},
}


@pytest.mark.parametrize("patient", CASES)
def test_whatever_a_case_lacks_its_resources_are_valid(patient: str) -> None:
    shape, mapping = _vocabulary().case, _mappings().case
    shape.model.model_validate(shape.example)
    shared = {**COMPUTED, "installation": SOURCE, "reference resuscitation": _reference("Procedure", 1)}
    for content in _contents(shape, CASES[patient]):
        _assert_valid(_apply(mapping, {**content, **CASES[patient], **shared}))


def test_a_patient_carries_the_one_identifier_by_which_he_is_known() -> None:
    shared = {**COMPUTED, "installation": SOURCE}
    (known,) = _apply(_mappings().case, {**CASES["identified"], **shared})
    (unknown,) = _apply(_mappings().case, {**CASES["unidentified"], **shared})
    assert known.body["identifier"][1:] == [CASES["identified"]["patient"]["identifier"]]
    assert unknown.body["identifier"][1:] == [
        {"use": "temp", "system": f"{SOURCE}:unidentified", "value": "unidentified 2031-03-02 A"}
    ]
    assert "name" not in known.body | unknown.body


def test_a_patient_is_one_resource_in_all_cases_and_an_unidentified_one_in_his_own_only() -> None:
    def patient(case: str, name: str) -> str:
        return _apply(_mappings().case, {**CASES[name], **COMPUTED, "installation": SOURCE, "case_id": case})[0].id

    assert patient("c-1", "identified") == patient("c-2", "identified")
    assert patient("c-1", "unidentified") != patient("c-2", "unidentified")


def test_whatever_a_device_lacks_its_resource_is_valid() -> None:
    shape, mapping = _vocabulary().device, _mappings().device
    shape.model.model_validate(shape.example)
    for content in _contents(shape, {}):
        made = _apply(mapping, {**content, **COMPUTED, "installation": SOURCE})
        assert [resource.resource_type for resource in made] == ["Device"]
        _assert_valid(made)


@pytest.mark.parametrize("outcome", ["ready", "ready_with_fault", "not_ready"])
def test_a_check_gives_a_valid_panel_and_a_task_where_something_is_to_be_followed_up(outcome: str) -> None:
    shape, mapping = _vocabulary().check, _mappings().check
    shape.model.model_validate(shape.example)
    members = [_reference("Observation", 3), _reference("Observation", 4)]
    for content in _contents(shape, {"id": "k-1", "checked_at": AT}):
        values = {**content, **COMPUTED, "installation": SOURCE, "outcome": outcome, "member_references": members}
        if outcome != "ready":
            values["reasons"] = "The self-test failed."
        made = _apply(mapping, {**values, "reference device": _reference("Device", 5)})
        types = [resource.resource_type for resource in made]
        assert types == (
            ["Observation", "Provenance"] if outcome == "ready" else ["Observation", "Task", "Provenance"]
        )
        panel = made[0].body
        assert panel["valueCodeableConcept"] == {
            "coding": [_vocabulary().tables["readiness"].concepts[outcome].coding]
        }
        assert panel["hasMember"] == members
        _assert_valid(made)


@pytest.mark.parametrize("name", ITEMS)
def test_whatever_an_item_of_a_check_lacks_its_observation_is_valid(name: str) -> None:
    shape, mapping = _vocabulary().check_items[name], _mappings().check_items[name]
    shape.model.model_validate(read_json(write_json(shape.example)))
    device = _reference("Device", 5)
    for content in _contents(shape, {}):
        made = _apply(mapping, {**content, **COMPUTED, "installation": SOURCE, "reference device": device})
        assert [resource.body["subject"] for resource in made] == [device]
        assert "encounter" not in made[0].body
        _assert_valid(made)


@pytest.mark.parametrize("name", ITEMS)
def test_the_example_of_an_item_is_a_ready_device_and_every_judgement_asks_for_its_fields(name: str) -> None:
    shape = _vocabulary().check_items[name]
    assert [judgement.reason for judgement in shape.judgements if judgement.holds(shape.example)] == []
    for place in shape.place.members().get("judgements", shape.place).items() if shape.judgements else []:
        days_left = {f"{name}.days_left" for name, field in shape.fields.items() if field.type == "date"}
        assert read_condition(place.required("when")).names <= set(shape.fields) | days_left


JUDGED = [
    ("self_test", {"result": "failed"}, ["self_test_failed"]),
    ("self_test", {"result": "not_done"}, []),
    ("battery", {"charge_percent": 20}, []),
    ("battery", {"charge_percent": 19.9}, ["battery_low"]),
    ("battery", {"charge_percent": 4}, ["battery_empty", "battery_low"]),
    ("battery", {"charge_percent": 4, "spare": True}, ["battery_low"]),
    # Energy windows at 50 ohm: 5 J 2 to 8; 20 J 17 to 23; 200 J 170 to 230; 360 J 306 to 414.
    ("test_shock", {"selected_joules": 5, "delivered_joules": 8}, []),
    ("test_shock", {"selected_joules": 5, "delivered_joules": 8.1}, ["energy_out_of_tolerance"]),
    ("test_shock", {"selected_joules": 20, "delivered_joules": 17}, []),
    ("test_shock", {"selected_joules": 20, "delivered_joules": 16.9}, ["energy_out_of_tolerance"]),
    ("test_shock", {"selected_joules": 200, "delivered_joules": 230}, []),
    ("test_shock", {"selected_joules": 200, "delivered_joules": 169, "load_ohms": 50}, ["energy_out_of_tolerance"]),
    ("test_shock", {"selected_joules": 360, "delivered_joules": 414}, []),
    ("test_shock", {"selected_joules": 360, "delivered_joules": 305}, ["energy_out_of_tolerance"]),
    ("test_shock", {"selected_joules": 200, "delivered_joules": 120, "load_ohms": 25}, []),
    ("test_shock", {"selected_joules": 200, "charge_seconds": 15}, []),
    ("test_shock", {"selected_joules": 200, "charge_seconds": 15.1}, ["charge_slow"]),
]


@pytest.mark.parametrize(("item", "finding", "reasons"), JUDGED, ids=str)
def test_a_finding_is_judged_as_its_source_says(item: str, finding: dict[str, Any], reasons: list[str]) -> None:
    shape = _vocabulary().check_items[item]
    assert [judgement.reason for judgement in shape.judgements if judgement.holds(finding)] == reasons


@pytest.mark.parametrize("name", SPANS)
def test_whatever_a_span_lacks_its_procedure_is_valid(name: str) -> None:
    shape, mapping = _vocabulary().spans[name], _mappings().spans[name]
    assert shape.span.anchor in ANCHORS
    assert shape.span.kinds - {"case"} <= set(_vocabulary().events)
    fields = {"method": "manual", "outcome": "died"}
    running = {"span_status": "in-progress"}
    ended = {"span_status": "completed", "started": AT, "ended": "2031-03-02T10:45:00+01:00"}
    for content in ({}, {name: value for name, value in fields.items() if name in shape.fields}):
        for extent in (running, {**running, "started": AT}, ended):
            made = _apply(mapping, {**content, **extent, **COMPUTED, **_anchors()})
            assert [(resource.role, resource.resource_type) for resource in made] == [("span", "Procedure")]
            assert made[0].body["code"]["coding"]
            assert made[0].body["status"] == extent["span_status"]
            _assert_valid(made)


IMPOSSIBLE = [
    ("rhythm_assessed", {"rhythm": "asystole", "shockable": True}),
    ("rhythm_assessed", {"rhythm": "ventricular_fibrillation", "shockable": False}),
    ("rhythm_assessed", {"rhythm": "pulseless_electrical_activity", "pulse_present": True}),
    ("shock_delivered", {"electrodes": "ecg_three_lead"}),
    ("cardioversion_delivered", {"electrodes": "ecg_five_lead"}),
]


@pytest.mark.parametrize(("kind", "claim"), IMPOSSIBLE, ids=str)
def test_what_cannot_be_true_is_named(kind: str, claim: dict[str, Any]) -> None:
    assert [rule.field for rule in _vocabulary().events[kind].impossible if rule.holds(claim)] != []


def test_shockable_is_refused_for_exactly_the_rhythms_whose_table_says_otherwise() -> None:
    rules = _vocabulary().events["rhythm_assessed"].impossible
    for word, concept in _vocabulary().tables["rhythm"].concepts.items():
        for claimed in (True, False):
            known = concept.attributes.get("shockable")
            refused = any(rule.holds({"rhythm": word, "shockable": claimed}) for rule in rules)
            assert refused == (known is not None and known is not claimed), word


def test_the_worked_change_in_the_guide_makes_a_new_check_item_by_data_alone(tmp_path: Path) -> None:
    guide = (FOLDER.parent / "docs" / "mapping-language.md").read_text(encoding="utf-8")
    parts = dict(re.findall(r"^```yaml\n# (\S+)\n(.*?)^```$", guide, re.MULTILINE | re.DOTALL))
    folder = tmp_path / "mappings"
    shutil.copytree(FOLDER, folder)
    units, codes = folder / "units.yaml", folder / "codes" / "check.yaml"
    units.write_text(
        units.read_text(encoding="utf-8").replace("\nunits:\n", "\nunits:\n" + parts.pop("units.yaml")),
        encoding="utf-8",
    )
    codes.write_text(codes.read_text(encoding="utf-8") + parts.pop("codes/check.yaml"), encoding="utf-8")
    for name, text in parts.items():
        (folder / name).write_text(text, encoding="utf-8")
    vocabulary = load_vocabulary(folder)
    assert set(vocabulary.check_items) - set(_vocabulary().check_items) == {"oxygen"}
    shape = vocabulary.check_items["oxygen"]
    assert [judgement.outcome for judgement in shape.judgements if judgement.holds({"pressure_bar": 40})] == [
        "ready_with_fault"
    ]
    device = _reference("Device", 5)
    made = _apply(
        load_mappings(vocabulary).check_items["oxygen"],
        {"pressure_bar": 40, **COMPUTED, "reference device": device},
    )
    assert made[0].body["valueQuantity"] == {
        "value": 40,
        "unit": "bar",
        "system": "http://unitsofmeasure.org",
        "code": "bar",
    }
    _assert_valid(made)
