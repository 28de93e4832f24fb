"""The pages of docs/ say what the code does."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from enum import StrEnum
from pathlib import Path

import pytest
from annotated_types import Ge, Gt, Le

from service.audit.append_entry import Action
from service.checking.check_resource import WHAT_IS_NOT_CHECKED
from service.making.stages import load_stages
from service.settings import PREFIX, AuthMode, DestinationAuth, Settings, Strategy, WrongSettings, read_settings
from service.vocabulary.computed_names import ANCHORS, COMPUTED_NAMES
from service.vocabulary.fields import _FORMS
from service.web.application import CAUTION
from tests.house.repository import fenced, headings, page, section
from tests.support.whole_service import WholeService
from tests.support.write_vocabulary_pages import make_pages


@pytest.mark.parametrize(
    "name", ["event-kinds.md", "check-items.md", "completeness.md", "plausibility.md", "codes.md"]
)
def test_a_page_made_from_the_mapping_data_is_current(name: str) -> None:
    told = "run `uv run python -m tests.support.write_vocabulary_pages` and read the diff"
    assert page(f"docs/{name}") == make_pages()[name], told


def test_every_kind_item_rule_and_table_has_its_section() -> None:
    stages = load_stages("urn:example:house")
    vocabulary = stages.vocabulary
    assert set(headings(page("docs/event-kinds.md"), 2)) == {*vocabulary.events, "Common fields"}
    assert set(headings(page("docs/check-items.md"), 2)) == {
        *vocabulary.check_items,
        "The device",
        "The check itself",
    }
    assert headings(page("docs/completeness.md"), 2) == [rule.name for rule in stages.rules.rules]
    assert set(headings(page("docs/codes.md"), 2)) == set(vocabulary.tables)


def test_every_field_of_every_kind_stands_in_its_section() -> None:
    text = page("docs/event-kinds.md")
    for kind, shape in load_stages("urn:example:house").vocabulary.events.items():
        own = section(text, kind) + section(text, "Common fields")
        assert [name for name in shape.fields if f"| `{name}`" not in own] == [], kind


def _settings_rows() -> dict[str, list[str]]:
    rows = re.findall(r"^\| `(RESUS_\w+)` \|(.+)\|$", page("docs/settings.md"), re.MULTILINE)
    return {name: [cell.strip() for cell in rest.split(" | ")] for name, rest in rows}


def test_exactly_the_settings_that_exist_are_documented_in_their_order() -> None:
    assert list(_settings_rows()) == [PREFIX + name.upper() for name in Settings.model_fields]


@pytest.mark.parametrize("name", Settings.model_fields)
def test_a_setting_is_documented_with_its_default_and_its_bounds(name: str) -> None:
    field = Settings.model_fields[name]
    default, bounds, meaning = _settings_rows()[PREFIX + name.upper()]
    assert default == ("none" if field.default is None else f"`{getattr(field.default, 'value', field.default)}`")
    numbers = {float(number) for number in re.findall(r"\d+", bounds)}
    for bound in field.metadata:
        match bound:
            case Ge(limit) | Gt(limit) | Le(limit):
                assert limit in numbers, f"{name}: {bound}"
    assert len(meaning) > 20


@pytest.mark.parametrize(
    ("setting", "words"), [("AUTH", AuthMode), ("STRATEGY", Strategy), ("DESTINATION_AUTH", DestinationAuth)]
)
def test_every_word_of_a_setting_is_documented(setting: str, words: type[StrEnum]) -> None:
    bounds = _settings_rows()[PREFIX + setting][1]
    assert bounds == ", ".join(f"`{word.value}`" for word in words)


@pytest.mark.parametrize("line", ["RESUS_STOER=x.sqlite", "OTHER=1"])
def test_a_name_in_the_env_file_that_is_no_setting_stops_the_start_and_is_named(
    line: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / ".env").write_text(f"RESUS_CONNECTIONS=4\n{line}\n")
    monkeypatch.chdir(tmp_path)
    with pytest.raises(WrongSettings, match=rf"^no such setting in \.env: {line.partition('=')[0]}$"):
        read_settings({})


def test_what_is_not_checked_is_said_in_the_words_of_the_code() -> None:
    listed = re.findall(r"^- (.+)$", section(page("docs/checking.md"), "What is not checked"), re.MULTILINE)
    assert listed == list(WHAT_IS_NOT_CHECKED)


def test_every_action_of_the_audit_log_is_documented() -> None:
    table = section(page("docs/audit-log.md"), "An entry")
    first_cells = re.findall(r"^\| (`[^|]+) \|", table, re.MULTILINE)
    listed = [word for cell in first_cells for word in re.findall(r"`([\w-]+)`", cell)]
    assert [action.value for action in Action if action.value not in listed] == []


def test_an_auditor_computes_every_hash_of_the_log_with_the_program_on_the_page(
    running: WholeService, tmp_path: Path
) -> None:
    running.post_device_check()
    running.post_case_example("demo", "c-audit")
    running.send("POST", "/v1/cases/c-audit/events", {"id": "e-é", "kind": "remark", "at": "now"})
    entries, after = [], 0
    while True:
        answer = running.client.get("/v1/audit/entries", params={"after": after, "limit": 1000}).json()
        entries += answer["entries"]
        if "next" not in answer:
            break
        after = answer["next"]
    log = tmp_path / "log.jsonl"
    log.write_text("".join(json.dumps(entry) + "\n" for entry in entries), encoding="utf-8")
    (program,) = fenced(page("docs/audit-log.md"), "python")
    run = subprocess.run([sys.executable, "-c", program, str(log)], capture_output=True, text=True, check=False)
    assert run.returncode == 0, run.stderr
    assert run.stdout.strip() == f"{entries[-1]['number']}:{entries[-1]['hash']}"
    entries[3]["outcome"] = "refused"
    log.write_text("".join(json.dumps(entry) + "\n" for entry in entries), encoding="utf-8")
    run = subprocess.run([sys.executable, "-c", program, str(log)], capture_output=True, text=True, check=False)
    assert "entry 4 was changed" in run.stderr


def test_exactly_the_calls_that_exist_are_listed(running: WholeService) -> None:
    described = running.get("/openapi.json")["paths"]
    exist = {f"{method.upper()} {path}" for path, methods in described.items() for method in methods}
    cells = re.findall(r"^\| (`(?:GET|PUT|POST|DELETE).+?) \|", section(page("docs/api.md"), "Calls"), re.MULTILINE)
    listed = {call.partition("?")[0] for cell in cells for call in re.findall(r"`([^`]+)`", cell)}
    assert listed - {"GET /openapi.json"} == exist


def test_the_caution_is_shown_in_full_where_users_look(running: WholeService) -> None:
    plain = " ".join(page("README.md").replace("> ", "").split())
    assert CAUTION in plain
    assert running.get("/openapi.json")["info"]["description"] == CAUTION


def test_the_page_about_the_mapping_language_names_every_word_of_it() -> None:
    text = page("docs/mapping-language.md")
    words = {*_FORMS, *(member for members in _FORMS.values() for member in members), *COMPUTED_NAMES, *ANCHORS}
    assert sorted(word for word in words if f"`{word}`" not in text) == []
