"""Whatever intake takes, the readers that need no more than Python read; whatever it refuses, it explains.

HL7's own validator reads a larger set of the same kind in tests/interop.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.checking.check_resource import check_resource
from service.data_folders import data_folder
from service.exact_json import ExactNumber, read_json, write_json
from service.intake.read_check import read_check
from service.intake.read_record import read_event, read_record
from service.mapping.sampled_strip import exact_period
from service.problems import Code, Kind, Problem, Rejected
from service.records.clocks import ClockReading
from service.records.instants import parse_instant
from service.vocabulary import fields as field_types
from tests.support.fhirkit_reader import read_with_fhirkit
from tests.support.generated_records import (
    ODD_TEXTS,
    checks,
    events,
    field_values,
    generate,
    records,
    reproducible,
)
from tests.support.made_resources import (
    GeneratedCase,
    Resource,
    cases,
    check_resources,
    device_resources,
    shipped_stages,
)
from tests.support.second_reader import second_reading

KINDS = sorted(path.stem for path in (data_folder("mappings") / "events").glob("*.yaml"))
STAGES = shipped_stages()
VOCABULARY = STAGES.vocabulary


def objections(resource: Resource) -> list[str]:
    """Return what the table, fhir.resources and fhirkit say against a resource, warnings of the table included."""
    return [
        *(f"table: {finding}" for finding in check_resource(resource)),
        *(f"fhir.resources: {finding}" for finding in second_reading(resource)),
        *(f"fhirkit: {issue}" for issue in read_with_fhirkit(resource).errors),
    ]


def assert_read_by_all(resources: list[Resource]) -> None:
    assert resources
    for resource in resources:
        assert objections(resource) == [], write_json(resource).decode()
        # What is sent is what was built: a second reading of the bytes changes nothing.
        assert write_json(read_json(write_json(resource))) == write_json(resource)


def assert_contradicts_itself(record: Mapping[str, Any], refused: Rejected) -> None:
    """Only what a shape calls impossible may be refused of what the strategies make."""
    rules = [rule for rule in VOCABULARY.events[record["kind"]].impossible if rule.holds(record)]
    assert [problem.code for problem in refused.problems] == [Code.CONTRADICTION] * len(rules)
    assert {problem.pointer for problem in refused.problems} == {f"/{rule.field}" for rule in rules}


def read_or_contradiction(case: GeneratedCase) -> GeneratedCase | None:
    """Return the case as intake takes it; None where its one event contradicts itself, and that is all."""
    try:
        return case.read(STAGES)
    except Rejected as refused:
        [(event, _, _)] = case.events
        assert_contradicts_itself(event, refused)
        return None


@pytest.mark.parametrize("kind", KINDS)
def test_every_event_that_is_taken_makes_resources_that_all_readers_take(kind: str) -> None:
    taken = 0

    @reproducible(8)
    @given(cases([kind]))
    def check(case: GeneratedCase) -> None:
        nonlocal taken
        read = read_or_contradiction(case)
        if read is not None:
            assert_read_by_all(read.resources(STAGES))
            taken += 1

    check()
    # The proof would be empty if nearly all were contradictions.
    assert taken >= 4


@reproducible(15)
@given(cases([kind for kind in KINDS if not VOCABULARY.events[kind].impossible], most_events=12))
def test_a_whole_case_with_spans_and_wrong_clocks_makes_resources_that_all_readers_take(
    case: GeneratedCase,
) -> None:
    assert_read_by_all(case.read(STAGES).resources(STAGES))


@reproducible(15)
@given(checks(VOCABULARY))
def test_every_device_check_makes_resources_that_all_readers_take(content: dict[str, Any]) -> None:
    assert_read_by_all(check_resources(content, STAGES))


@reproducible(5)
@given(checks(VOCABULARY, least_items=len(VOCABULARY.check_items)))
def test_a_device_check_with_all_items_makes_resources_that_all_readers_take(content: dict[str, Any]) -> None:
    assert set(content["items"]) == set(VOCABULARY.check_items)
    assert_read_by_all(check_resources(content, STAGES))


@reproducible(20)
@given(records(VOCABULARY.device, VOCABULARY))
def test_every_device_makes_a_resource_that_all_readers_take(content: dict[str, Any]) -> None:
    assert_read_by_all(device_resources(content, STAGES))


def test_the_readers_would_notice_what_is_not_valid() -> None:
    (device,) = device_resources({"serial": "SN-1"}, STAGES)
    assert objections(device) == []
    assert {said.split(":")[0] for said in objections({**device, "serialNumber": 1})} == {
        "table",
        "fhir.resources",
        "fhirkit",
    }


def test_there_is_a_strategy_for_every_field_type() -> None:
    shapes = [
        *VOCABULARY.events.values(),
        *VOCABULARY.check_items.values(),
        VOCABULARY.case,
        VOCABULARY.device,
        VOCABULARY.check,
    ]
    fields = [field for shape in shapes for field in shape.fields.values()]
    fields += [part for field in fields for part in field.parts.values()]
    used = {field.type: field for field in fields if field.type != "names"}
    for field in used.values():
        assert isinstance(field_values(field, VOCABULARY), st.SearchStrategy)
    # Types that no shipped shape uses today are strategies all the same, or the list here says so.
    assert set(field_types._FORMS) - set(used) - {"names"} == set()


def test_the_same_records_are_generated_in_every_run() -> None:
    first, second = (generate(events("vital_signs", VOCABULARY), 20) for _ in range(2))
    assert write_json(first) == write_json(second)


def test_the_records_are_full_and_bare_and_odd_and_extreme() -> None:
    drawn = generate(events("shock_delivered", VOCABULARY), 60)
    optional = set(VOCABULARY.events["shock_delivered"].fields) - {"id", "at"}
    assert any(not optional & set(record) for record in drawn), "none is bare"
    for name in optional:
        assert any(name in record for record in drawn), f"{name} is never there"
        assert any(name not in record for record in drawn), f"{name} is always there"
    energies = [float(record["energy_selected_joules"]) for record in drawn if "energy_selected_joules" in record]
    assert max(energies) == 360
    texts = {record["note"] for record in drawn if "note" in record}
    assert texts & set(ODD_TEXTS)
    assert max(map(len, texts)) == 2000
    assert any(isinstance(record.get("waveform"), dict) for record in drawn)


# What a client may get wrong, whatever the field holds.
WRONG_VALUES: tuple[Any, ...] = (
    True,
    -1,
    1e300,
    "",
    " ",
    "a word that no list has",
    "control \x01 character",
    "2031-03-02T10:02:05",
    "20310302",
    [],
    [1],
    {},
    {"text": ""},
    {"system": "no uri", "code": "x"},
    {"system": "urn:uuid:x", "code": "x"},
    {"value": 1, "unit": "mmHg"},
    {"system": "urn:ietf:rfc:3986", "value": "no uri"},
)


@st.composite
def spoiled(draw: st.DrawFn, record: st.SearchStrategy[dict[str, Any]]) -> dict[str, Any]:
    """Return records with one member replaced, removed or added."""
    content = dict(draw(record))
    name = draw(st.sampled_from([*sorted(content), "no_such_field"]))
    wrong = draw(st.sampled_from([None, *WRONG_VALUES]))
    return {**content, name: wrong}


def explained(problems: tuple[Problem, ...], content: Any) -> bool:
    """Return whether each problem has a code, a pointer into what was sent, and says what is wanted."""
    assert problems
    for problem in problems:
        assert problem.code.facts.kind is Kind.REJECTED
        assert problem.message
        assert problem.expected
        assert pointed_at(problem.pointer, content) or problem.code is Code.MISSING_REQUIRED, problem
    return True


def pointed_at(pointer: str, content: Any) -> bool:
    """Return whether a JSON pointer (RFC 6901) leads to a value; the parts of a union that was not met aside."""
    value = content
    for step in pointer.split("/")[1:]:
        name = step.replace("~1", "/").replace("~0", "~")
        if isinstance(value, dict) and name in value:
            value = value[name]
        elif isinstance(value, list) and name.isdigit() and int(name) < len(value):
            value = value[int(name)]
        else:
            return False
    return True


def refusal_of(read: Callable[[Any], object], content: Any) -> Rejected | None:
    try:
        read(content)
    except Rejected as refused:
        return refused
    return None


@pytest.mark.parametrize("kind", KINDS)
def test_whatever_an_event_is_spoiled_with_it_is_taken_or_refused_with_reasons(kind: str) -> None:
    verdicts: list[bool] = []

    @reproducible(25)
    @given(spoiled(events(kind, VOCABULARY)))
    def check(event: dict[str, Any]) -> None:
        refused = refusal_of(lambda content: read_event(content, VOCABULARY), event)
        if refused is not None:
            assert explained(refused.problems, event)
        elif event.get("kind") in VOCABULARY.events:
            case = GeneratedCase({"patient": {"unidentified": True, "label": "x"}}, ((event, 1, False),), {})
            assert_read_by_all(case.read(STAGES).resources(STAGES))
        verdicts.append(refused is None)

    check()
    assert verdicts.count(False) >= 5


@reproducible(60)
@given(spoiled(st.one_of(records(VOCABULARY.case, VOCABULARY), records(VOCABULARY.device, VOCABULARY))))
def test_whatever_a_case_or_a_device_is_spoiled_with_it_is_taken_or_refused_with_reasons(
    content: dict[str, Any],
) -> None:
    shape = VOCABULARY.case if "patient" in content else VOCABULARY.device
    refused = refusal_of(lambda value: read_record(value, shape), content)
    if refused is not None:
        assert explained(refused.problems, content)


@reproducible(60)
@given(checks(VOCABULARY), st.data())
def test_whatever_a_check_is_spoiled_with_it_is_taken_or_refused_with_reasons(
    content: dict[str, Any], data: st.DataObject
) -> None:
    items = data.draw(spoiled(st.just(content["items"])))
    check = data.draw(spoiled(st.just({**content, "items": items})))
    refused = refusal_of(lambda value: read_check(value, VOCABULARY), check)
    if refused is None:
        assert_read_by_all(check_resources(check, STAGES))
    else:
        assert explained(refused.problems, check)


@pytest.mark.parametrize(
    ("content", "pointer"),
    [
        ({"recorded_by": {}}, None),
        ({"recorded_by": {"role": None, "name": None}}, None),
        ({"note": "bell \x07"}, "/note"),
        ({"recorded_by": {"name": "\x00"}}, "/recorded_by/name"),
        ({"at": "2031-03-02T10:02:05"}, "/at"),
        ({"precision_seconds": 0}, "/precision_seconds"),
    ],
    ids=str,
)
def test_what_was_once_found_stays_found(content: dict[str, Any], pointer: str | None) -> None:
    event = {"id": "e-1", "kind": "remark", "at": "2031-03-02T10:02:05+01:00", **content}
    refused = refusal_of(lambda value: read_event(value, VOCABULARY), event)
    if pointer is None:
        assert refused is None
        case = GeneratedCase({"patient": {"unidentified": True, "label": "x"}}, ((event, 1, False),), {})
        assert_read_by_all(case.read(STAGES).resources(STAGES))
    else:
        assert refused is not None
        assert [problem.pointer for problem in refused.problems] == [pointer]


@pytest.mark.parametrize(
    "identifier",
    [
        {"system": "urn:uuid:not-a-uuid", "value": "1"},
        {"system": "urn:oid:1.02.3", "value": "1"},
        {"system": "C:\\patients", "value": "1"},
        {"system": "urn:ietf:rfc:3986", "value": "P-100"},
        {"system": "urn:example:x y", "value": "1"},
    ],
    ids=str,
)
def test_an_identifier_that_no_reader_would_take_is_refused_at_the_door(identifier: dict[str, str]) -> None:
    refused = refusal_of(lambda value: read_record(value, VOCABULARY.case), {"patient": {"identifier": identifier}})
    assert refused is not None
    assert all(problem.pointer.startswith("/patient/identifier") for problem in refused.problems)


@pytest.mark.parametrize("written", ["20310302", "2031-W09-7", "2031-3-2", "2031-02-30"])
def test_a_date_is_taken_only_as_fhir_writes_it(written: str) -> None:
    check = {"id": "k-1", "checked_at": "2031-03-02T07:00:00+01:00", "items": {"electrodes": {"expiry": written}}}
    refused = refusal_of(lambda value: read_check(value, VOCABULARY), check)
    assert refused is not None
    assert [problem.pointer for problem in refused.problems] == ["/items/electrodes/expiry"]


BARE_CASE = {"patient": {"unidentified": True, "label": "x"}}


def test_the_end_of_a_measurement_moves_with_its_beginning_to_the_reference_clock() -> None:
    event = {
        "id": "e-1",
        "kind": "compression_quality",
        "at": "2031-03-02T10:02:00+01:00",
        "until": "2031-03-02T10:04:00+01:00",
        "clock": "D-3",
    }
    at = parse_instant("2031-03-02T10:00:00+01:00")
    fast = ClockReading("D-3", at + timedelta(seconds=162), at, "r-1")
    made = GeneratedCase(BARE_CASE, ((event, 1, False),), {"D-3": [fast]}).read(STAGES).resources(STAGES)
    [period] = [resource["effectivePeriod"] for resource in made if "effectivePeriod" in resource]
    assert (period["start"], period["end"]) == ("2031-03-02T09:59:18+01:00", "2031-03-02T10:01:18+01:00")


def test_a_measurement_that_ends_before_it_begins_is_refused_at_the_door() -> None:
    event = {"id": "e-1", "kind": "compression_quality", "at": "2031-03-02T10:02:00+01:00"}
    for until, is_taken in (
        ("2031-03-02T10:01:59+01:00", False),
        ("2031-03-02T09:02:00Z", True),
        ("2031-03-02T10:30:00+02:00", False),
    ):
        refused = refusal_of(lambda value: read_event(value, VOCABULARY), {**event, "until": until})
        assert (refused is None) is is_taken, until


@pytest.mark.parametrize(
    ("hertz", "milliseconds"),
    [("128", "7.8125"), ("500", "2"), ("300", "3.333333333333333"), ("29.3502", "34.071318083011359")],
)
def test_the_period_of_a_strip_has_no_more_digits_than_fhir_systems_keep(hertz: str, milliseconds: str) -> None:
    period = exact_period(ExactNumber(hertz))
    assert str(getattr(period, "literal", period)) == milliseconds
