"""A template is read into nodes once; whatever it says that the language does not know is told by its line."""

from __future__ import annotations

from pathlib import Path
from textwrap import dedent

import pytest

from service.problems import MappingFault
from service.vocabulary.template_language import (
    Absence,
    FieldValue,
    FixedCode,
    ListNode,
    Lookup,
    ObjectNode,
    ReferenceTo,
    ResourceNode,
    TemplateReader,
    TextNode,
    read_text,
)
from service.vocabulary.yaml_tree import Located, load_yaml

FRAGMENTS = """\
base:
  resourceType: Observation
  status: final
  subject: <reference patient>
finer:
  $like: base
  note: [{text: <note>}]
chosen:
  $when: {present: note}
  text: fixed
"""


def _load(folder: Path, name: str, text: str) -> Located:
    file = folder / name
    file.write_text(dedent(text), encoding="utf-8")
    return load_yaml(file)


def _read(folder: Path, text: str, fragments: str = FRAGMENTS) -> tuple[list[ResourceNode], list[MappingFault]]:
    faults: list[MappingFault] = []
    reader = TemplateReader(_load(folder, "fragments.yaml", fragments).members(), faults)
    return reader.resources(_load(folder, "template.yaml", text)), faults


def _text(text: str) -> Located:
    return Located(text, Path("template.yaml"), 7)


@pytest.mark.parametrize(
    ("text", "lookups"),
    [
        ("<dose>", [FieldValue("dose", "dose")]),
        ("<by.name or by.role>", [FieldValue("by.name", "by.name"), FieldValue("by.role", "by.role")]),
        ("<code as concept>", [FieldValue("code as concept", "code", "concept")]),
        ("<dose as quantity in unit>", [FieldValue("dose as quantity in unit", "dose", "quantity", "unit")]),
        ("<code rhythm.asystole>", [FixedCode("code rhythm.asystole", "rhythm.asystole", is_coding=False)]),
        ("<coding rhythm.asystole>", [FixedCode("coding rhythm.asystole", "rhythm.asystole", is_coding=True)]),
        ("<reference shock>", [ReferenceTo("reference shock", "shock")]),
        ("<absent dose>", [Absence("absent dose", "dose", is_reason=False)]),
        ("<why-absent dose>", [Absence("why-absent dose", "dose", is_reason=True)]),
    ],
)
def test_every_form_of_a_placeholder_becomes_a_lookup_of_its_own(text: str, lookups: list[Lookup]) -> None:
    node = read_text(_text(text))
    assert isinstance(node, TextNode)
    assert node.is_whole
    assert list(node.lookups) == lookups


@pytest.mark.parametrize(
    ("text", "asks"),
    [
        ("<dose>", True),
        ("<time>", True),
        ("<code as concept>", True),
        ("<code rhythm.asystole>", False),
        ("urn:uuid:<resource_id>", False),
        ("<started_at or received>", False),
        ("<installation>:<dose>", True),
    ],
)
def test_a_text_asks_where_a_placeholder_in_it_may_find_nothing(text: str, *, asks: bool) -> None:
    assert read_text(_text(text)).asks is asks


def test_the_pieces_around_placeholders_are_kept() -> None:
    node = read_text(_text("<installation>:records/<record_key>"))
    assert isinstance(node, TextNode)
    assert (node.pieces, node.is_whole) == (("", ":records/", ""), False)


def test_a_fragment_gives_its_members_and_the_templates_own_win(tmp_path: Path) -> None:
    text = """\
        - role: one
          resource:
            $like: finer
            status: amended
            part: {$like: chosen}
        - role: two
          resource: {$like: finer}
        """
    (one, two), faults = _read(tmp_path, text)
    assert faults == []
    assert list(one.members) == ["status", "subject", "note", "part"]
    assert one.members["status"].place.value == "amended"
    assert (one.members["status"].place.file.name, one.members["status"].place.line) == ("template.yaml", 4)
    assert (one.members["note"].place.file.name, one.members["note"].place.line) == ("fragments.yaml", 7)
    part = one.members["part"]
    assert isinstance(part, ObjectNode)
    assert part.when is not None
    assert part.when.names == {"note"}
    assert (one.resource_type, one.fragment, two.fragment) == ("Observation", None, "finer")
    assert one.members["subject"] is two.members["subject"]


PART = "- role: shock\n  resource: {resourceType: Procedure}\n- role: details\n  resource:\n"
COMPONENT = "    component: [{valueInteger: <number>}]\n"


@pytest.mark.parametrize(
    ("body", "stands_on_components"),
    [
        ("    resourceType: Observation\n    partOf: [<reference shock>]\n" + COMPONENT, True),
        ("    resourceType: Observation\n    partOf: [<reference shock>]\n", False),
        (
            "    resourceType: Observation\n    partOf: [<reference pacing or reference resuscitation>]\n"
            + COMPONENT,
            False,
        ),
        ("    resourceType: Observation\n" + COMPONENT, False),
    ],
)
def test_a_part_of_another_resource_of_its_record_stands_on_its_components(
    body: str, tmp_path: Path, *, stands_on_components: bool
) -> None:
    (shock, details), faults = _read(tmp_path, PART + body)
    assert faults == []
    assert details.stands_on_components is stands_on_components
    assert details.is_always_made is not stands_on_components
    assert shock.is_always_made


def test_a_list_asks_as_its_items_do(tmp_path: Path) -> None:
    text = "- role: one\n  resource: {$like: base, a: [fixed, <note>], b: [fixed]}\n"
    ((one,), _) = _read(tmp_path, text)
    asking, constant = one.members["a"], one.members["b"]
    assert isinstance(asking, ListNode)
    assert (asking.asks, constant.asks) == (True, False)


FAULTS = [
    ("- role: one\n  resource: {status: final}\n", "template.yaml", 2, "a resource needs its resourceType"),
    (
        "- role: one\n  resource: {$like: coarse}\n",
        "template.yaml",
        2,
        "there is no fragment 'coarse' in fragments.yaml",
    ),
    (
        "- role: one\n  resource:\n    $like: base\n    $lik: x\n",
        "template.yaml",
        4,
        "'$lik' is not known; known are: $when, $like",
    ),
    (
        "- role: one\n  resource: {$like: chosen, resourceType: Basic}\n",
        "fragments.yaml",
        9,
        "a resource has `when` beside its role, not $when inside",
    ),
    (
        "- role: one\n  resource:\n    $like: base\n    issued:\n",
        "template.yaml",
        4,
        "an element without a value is left out of a template",
    ),
    (
        "- role: one\n  resource:\n    $like: base\n    a:\n      $when: {presnt: x}\n",
        "template.yaml",
        5,
        "'presnt' is no condition",
    ),
    (
        "- role: one\n  when: {presnt: x}\n  resource: {$like: base}\n",
        "template.yaml",
        2,
        "'presnt' is no condition",
    ),
    (
        "- role: one\n  each: leads\n  resource: {$like: base}\n",
        "template.yaml",
        2,
        "a template repeats over one of: segments",
    ),
    (
        "- role: one\n  resource:\n    $like: base\n    note: <note as text now>\n",
        "template.yaml",
        4,
        "the placeholder <note as text now> has no form that is known",
    ),
    ("- role: one\n  wen: {}\n  resource: {$like: base}\n", "template.yaml", 2, "'wen' is not known here"),
]


@pytest.mark.parametrize(("text", "file", "line", "reason"), FAULTS)
def test_what_the_language_does_not_know_is_told_by_file_and_line(
    text: str, file: str, line: int, reason: str, tmp_path: Path
) -> None:
    _, faults = _read(tmp_path, text)
    assert [(fault.file.name, fault.line) for fault in faults] == [(file, line)], faults
    assert reason in faults[0].reason


def test_a_fragment_that_is_like_itself_is_told_and_comes_to_an_end(tmp_path: Path) -> None:
    fragments = "one: {$like: other}\nother:\n  $like: one\n"
    _, faults = _read(tmp_path, "- role: one\n  resource: {$like: one}\n", fragments)
    assert [(fault.line, fault.reason) for fault in faults] == [(3, "the fragment 'one' is like itself")]


def test_one_fault_hides_no_other(tmp_path: Path) -> None:
    text = """\
        - role: one
          when: {presnt: x}
          resource: {$like: base, a: <b c>, d: {$like: coarse}}
        - role: two
          resource: {status: final}
        """
    _, faults = _read(tmp_path, text)
    assert sorted(fault.line for fault in faults) == [2, 3, 3, 5]
