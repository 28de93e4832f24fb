"""What a client sent is kept as it is written, nulls left out; or it is refused with problems, and nothing else."""

from __future__ import annotations

import json
from collections.abc import Callable
from functools import cache
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.data_folders import data_folder
from service.exact_json import canonical_json, read_json, write_json
from service.intake.read_check import read_check
from service.intake.read_record import read_event, read_record
from service.problems import Problem, Rejected
from service.vocabulary.load_vocabulary import Vocabulary
from tests.support.exact_comparison import spelled
from tests.support.load_vocabulary import load_vocabulary
from tests.support.write_goldens import kind_examples

AT = "2031-03-02T10:00:00+01:00"
JSON = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(max_size=9),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=9), inner, max_size=4),
    max_leaves=8,
)


@cache
def vocabulary() -> Vocabulary:
    return load_vocabulary(data_folder("mappings"))


def _problems(value: object) -> list[tuple[str, str]]:
    with pytest.raises(Rejected) as rejected:
        read_event(value, vocabulary())
    return sorted((one.code.facts.code, one.pointer) for one in rejected.value.problems)


@pytest.mark.parametrize("kind", kind_examples())
def test_the_example_of_a_kind_is_kept_to_the_digit(kind: str) -> None:
    body = write_json(kind_examples()[kind])
    read = read_event(read_json(body), vocabulary())
    assert spelled(read.content) == spelled(read_json(body))
    assert write_json(read.content) == body


def test_digits_that_say_how_finely_was_measured_are_kept_and_make_no_other_content() -> None:
    def read(dose: str) -> Any:
        body = f'{{"id": "e", "kind": "medication_given", "at": "{AT}", "dose_value": {dose}, "dose_unit": "mg"}}'
        return read_event(read_json(body.encode()), vocabulary())

    assert read("1.50").content["dose_value"].literal == "1.50"
    assert len({read(dose).content_hash for dose in ("1.5", "1.50", "15e-1", "1.500")}) == 1
    assert len({read(dose).hashes["content_sha256"] for dose in ("1.5", "1.50", "15e-1")}) == 3


def test_a_null_says_the_same_as_no_member() -> None:
    bare = {"id": "e", "kind": "remark", "at": AT, "recorded_by": {"role": "nurse"}}
    with_nulls = {**bare, "note": None, "recorded_by": {"role": "nurse", "name": None}}
    assert read_event(with_nulls, vocabulary()) == read_event(bare, vocabulary())


def test_all_problems_of_an_event_come_at_once() -> None:
    event = {
        "kind": "shock_delivered",
        "at": "10:00",
        "energy_selected_joules": 900,
        "colour": 1,
        "waveform": "square",
    }
    assert _problems(event) == [
        ("impossible_value", "/energy_selected_joules"),
        ("missing_required", "/id"),
        ("unknown_code", "/waveform"),
        ("unknown_field", "/colour"),
        ("wrong_form", "/at"),
    ]


def test_a_misspelled_field_is_answered_with_the_one_that_was_perhaps_meant() -> None:
    with pytest.raises(Rejected) as rejected:
        read_event({"id": "e", "kind": "shock_delivered", "at": AT, "energy_selected_joule": 200}, vocabulary())
    assert "did you mean 'energy_selected_joules'?" in rejected.value.problems[0].expected


def test_what_is_stated_unknown_must_be_a_field_without_a_value() -> None:
    event = {"id": "e", "kind": "shock_delivered", "at": AT, "energy_selected_joules": 200}
    read_event({**event, "stated_unknown": ["energy_delivered_joules"]}, vocabulary())
    assert _problems({**event, "stated_unknown": ["energy_selected_joules", "colour"]}) == [
        ("contradiction", "/stated_unknown/0"),
        ("contradiction", "/stated_unknown/1"),
    ]


@settings(deadline=None)
@given(JSON)
def test_any_json_is_read_or_rejected_with_problems_and_no_other_error(value: Any) -> None:
    words = vocabulary()
    readers: tuple[Callable[[], object], ...] = (
        lambda: read_event(value, words),
        lambda: read_record(value, words.case),
        lambda: read_record(value, words.device),
        lambda: read_check(value, words),
    )
    for read in readers:
        problems: tuple[Problem, ...] | None = None
        try:
            read()
        except Rejected as rejected:
            problems = rejected.problems
        assert problems is None or (problems and all(one.message and one.expected for one in problems))


@settings(deadline=None)
@given(st.sampled_from(sorted(kind_examples())), st.dictionaries(st.text(max_size=12), JSON, max_size=3))
def test_what_is_read_can_be_written_and_read_again(kind: str, more: dict[str, Any]) -> None:
    event = read_json(write_json({**kind_examples()[kind], "note": "x"})) | more
    try:
        read = read_event(event, vocabulary())
    except Rejected:
        return
    again = read_event(read_json(write_json(read.content)), vocabulary())
    assert again == read
    assert json.loads(canonical_json(again.content)) == json.loads(canonical_json(read.content))
