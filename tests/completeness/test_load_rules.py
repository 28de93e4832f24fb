"""Completeness rules are data, and every mistake in them is named with file and line."""

from __future__ import annotations

from pathlib import Path

import pytest

from service.completeness.load_rules import load_rules
from service.problems import WrongMapping
from tests.completeness.small_mappings import write_rules
from tests.support.load_vocabulary import load_vocabulary

MAPPINGS = Path(__file__).parents[2] / "mappings"

GOOD = """\
rules:
  - rule: witnessed-known
    element: arrest_recognised.witnessed
    importance: core
    when: {field: arrest, is: true}
    ask: "Did anyone see it?"
    source: "common practice, no source"
"""


def test_a_rule_is_read_with_all_that_it_says(tmp_path: Path) -> None:
    [rule] = write_rules(tmp_path, GOOD).rules
    assert (rule.name, rule.element, rule.importance) == (
        "witnessed-known",
        "arrest_recognised.witnessed",
        "core",
    )
    assert (rule.kind, rule.field) == ("arrest_recognised", "witnessed")
    assert (rule.ask, rule.source) == ("Did anyone see it?", "common practice, no source")
    assert rule.when is not None
    assert rule.when({"arrest": True})
    assert not rule.when({"arrest": False})


def test_which_rhythms_are_shockable_comes_from_the_code_table(tmp_path: Path) -> None:
    assert write_rules(tmp_path, GOOD).shockable == {"ventricular_fibrillation": True, "asystole": False}


@pytest.mark.parametrize(
    ("right", "wrong", "line", "reason"),
    [
        ("arrest_recognised.witnessed", "arest_recognised", 3, "no event kind 'arest_recognised'"),
        ("arrest_recognised.witnessed", "arrest_recognised.seen", 3, "has no field 'seen'"),
        ("arrest_recognised.witnessed", "case.place", 3, "a case has no field 'place'"),
        ("arrest_recognised.witnessed", "case", 3, "no event kind 'case'"),
        ("importance: core", "importance: high", 4, "core or supplemental"),
        ("field: arrest,", "field: arest,", 5, "cannot ask for 'arest'"),
        ("field: arrest,", "field: has.arest,", 5, "cannot ask for 'has.arest'"),
        ("field: arrest,", "field: case.place,", 5, "cannot ask for 'case.place'"),
        ("field: arrest,", "field: event.seen,", 5, "cannot ask for 'event.seen'"),
        ("field: arrest, is: true", "fild: arrest", 5, "no condition"),
        ("    ask:", "    question:", 6, "'question' is not known"),
        ('    source: "common practice, no source"\n', "", 2, "'source' is missing"),
        ("    ask:", "    not_before: nothing\n    ask:", 6, "no event kind 'nothing'"),
    ],
)
def test_a_mistake_in_a_rule_stops_the_load_with_its_line(
    tmp_path: Path, right: str, wrong: str, line: int, reason: str
) -> None:
    assert right in GOOD
    with pytest.raises(WrongMapping) as caught:
        write_rules(tmp_path, GOOD.replace(right, wrong))
    [fault] = caught.value.faults
    assert fault.file == tmp_path / "completeness.yaml"
    assert fault.line == line
    assert reason in fault.reason


@pytest.mark.parametrize("element", ["case.location", "arrest_recognised"])
@pytest.mark.parametrize(
    "member", ["conflict_when: {field: arrest, is: true}", "not_before: efforts_ended", "not_after: efforts_ended"]
)
def test_a_contradiction_needs_a_field_of_an_event(tmp_path: Path, element: str, member: str) -> None:
    text = GOOD.replace("arrest_recognised.witnessed", element).replace("    ask:", f"    {member}\n    ask:")
    with pytest.raises(WrongMapping, match="is allowed only with a field of an event"):
        write_rules(tmp_path, text)


def test_whether_an_event_is_wanted_cannot_hang_on_its_own_fields(tmp_path: Path) -> None:
    text = GOOD.replace("arrest_recognised.witnessed", "arrest_recognised").replace(
        "field: arrest,", "field: event.witnessed,"
    )
    with pytest.raises(WrongMapping, match="cannot ask for fields of it"):
        write_rules(tmp_path, text)


def test_a_rule_name_that_stands_twice_is_refused(tmp_path: Path) -> None:
    with pytest.raises(WrongMapping, match="'witnessed-known' is here twice"):
        write_rules(tmp_path, GOOD + GOOD.removeprefix("rules:\n"))


def test_all_mistakes_of_the_file_are_named_together(tmp_path: Path) -> None:
    second = GOOD.removeprefix("rules:\n").replace("witnessed-known", "other").replace("core", "high")
    with pytest.raises(WrongMapping) as caught:
        write_rules(tmp_path, GOOD.replace("core", "low") + second)
    assert [fault.line for fault in caught.value.faults] == [4, 10]


def test_the_shipped_rules_fit_the_shipped_vocabulary() -> None:
    rules = load_rules(load_vocabulary(MAPPINGS))
    assert len(rules.rules) > 50
    assert rules.shockable["ventricular_fibrillation"] is True
    assert rules.shockable["asystole"] is False
    for rule in rules.rules:
        assert rule.ask.rstrip().endswith(("?", "."))
        assert rule.source.strip()
