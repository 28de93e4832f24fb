"""What a template gives every record alike is made once, and looks like what is looked up for each."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest

from service.data_folders import data_folder
from service.exact_json import read_json
from service.making.frame_case import CaseFrame, frame_case
from service.making.make_events import make_event
from service.making.stages import Stages, load_stages
from service.records.events import RecordedEvent
from service.timeline.correct_times import NO_HISTORY, correct

RECEIVED_AT = datetime(2031, 3, 2, 9, 17, 43, tzinfo=UTC)


@pytest.fixture(scope="module")
def stages() -> Stages:
    return load_stages("urn:example:resus")


@pytest.fixture(scope="module")
def frame(stages: Stages) -> CaseFrame:
    case = read_json((data_folder("examples") / "demo" / "case.json").read_bytes())
    return frame_case(stages, "c-1", case, RECEIVED_AT)


def _made(stages: Stages, frame: CaseFrame, content: dict[str, Any]) -> list[dict[str, Any]]:
    """Return the bodies of what an event makes."""
    content = {"at": "2031-03-02T10:02:05+01:00", **content}
    event = RecordedEvent(
        "c-1", content["id"], content["kind"], 1, retracted=False, content=content, received_at=RECEIVED_AT
    )
    made = make_event(stages, frame, event, correct(event, NO_HISTORY), {})
    return [resource.made.body for resource in made]


def test_a_list_of_fixed_codes_is_one_object_for_all_records(stages: Stages, frame: CaseFrame) -> None:
    one, other = (_made(stages, frame, {"id": name, "kind": "rhythm_assessed"})[0] for name in ("e-1", "e-2"))
    assert one["id"] != other["id"]
    assert one["category"] is other["category"]
    assert any(constant is one["category"] for constant in stages.mappings.constants())


def test_a_field_called_code_is_looked_up_in_each_record(stages: Stages, frame: CaseFrame) -> None:
    found = []
    for code in ("1", "2"):
        content = {"id": f"e-{code}", "kind": "observation_recorded", "value": True}
        content["code"] = {"system": "urn:example:codes", "code": code, "display": "Made up"}
        found.append(_made(stages, frame, content)[0]["code"]["coding"][0]["code"])
    assert found == ["1", "2"]


def test_nothing_that_depends_on_a_record_is_held_to_be_constant(stages: Stages, frame: CaseFrame) -> None:
    before = [repr(constant) for constant in stages.mappings.constants()]
    for kind, shape in stages.vocabulary.events.items():
        _made(stages, frame, {"id": f"e-{kind}", **shape.example, "kind": kind})
    assert [repr(constant) for constant in stages.mappings.constants()] == before
    assert all("Patient/" not in text and "e-1" not in text for text in before)
