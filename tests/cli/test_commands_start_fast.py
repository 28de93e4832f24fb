"""A command imports what it needs and no more, so that a start stays short."""

from __future__ import annotations

import gc
import os
import subprocess
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

from service.cli import app
from service.pause_collection import collection_paused

COMMANDS = ("serve", "deliver", "demo", "token", "audit", "mappings", "destination", "delivery")

BUILD = """
from service.cli.serve import ServeOptions, build_application
from service.settings import read_settings
build_application(read_settings({"RESUS_STORE": "store.sqlite"}), ServeOptions("http://127.0.0.1:1"))
"""
CHECK = """
from service.cli import app
app(["mappings", "check"], standalone_mode=False)
"""
NAMES = """
import sys
print(*sys.modules)
"""

SLOW_AND_RARELY_NEEDED = {"joserfc", "cryptography", "fhir", "lark", "ucumvert", "alembic", "websockets"}


def _imported(script: str, folder: Path) -> set[str]:
    """Return every module that a Python of its own has imported at the end of a script."""
    environment = {name: value for name, value in os.environ.items() if not name.startswith("RESUS_")}
    run = subprocess.run(
        [sys.executable, "-c", script + NAMES],
        cwd=folder,
        env=environment,
        capture_output=True,
        text=True,
        check=True,
    )
    return set(run.stdout.splitlines()[-1].split())


def test_a_service_without_a_key_file_starts_without_what_only_some_services_need(tmp_path: Path) -> None:
    imported = _imported(BUILD, tmp_path)
    assert "fastapi" in imported
    assert imported & {*SLOW_AND_RARELY_NEEDED, "service.demo", "service.conformance"} == set()


def test_checking_the_mapping_data_imports_neither_web_framework_nor_http_client(tmp_path: Path) -> None:
    imported = _imported(CHECK, tmp_path)
    assert "service.cli.mappings" in imported
    assert imported & {*SLOW_AND_RARELY_NEEDED, "fastapi", "starlette", "uvicorn", "aiohttp", "httpx"} == set()


def test_the_help_lists_every_command_with_what_it_does() -> None:
    shown = CliRunner().invoke(app, ["--help"])
    assert shown.exit_code == 0
    lines = [line.strip("│ ").split() for line in shown.stdout.splitlines()]
    listed = {words[0]: words[1:] for words in lines if words and words[0] in COMMANDS}
    assert tuple(listed) == COMMANDS
    assert all(listed.values())


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_explains_itself_and_offers_no_shell_completion(command: str) -> None:
    shown = CliRunner().invoke(app, [command, "--help"])
    assert shown.exit_code == 0
    assert f" {command} [OPTIONS]" in shown.stdout
    assert "completion" not in shown.stdout


def test_a_mistyped_command_is_answered_with_the_nearest_one() -> None:
    answered = CliRunner().invoke(app, ["serv"])
    assert answered.exit_code == 2
    assert "Did you mean 'serve'?" in answered.output


def test_garbage_is_collected_again_after_a_pause() -> None:
    assert gc.isenabled()
    with collection_paused():
        assert not gc.isenabled()
    assert gc.isenabled()
    assert gc.get_freeze_count() > 0


def test_a_pause_leaves_a_collector_off_that_was_off_before() -> None:
    gc.disable()
    try:
        with collection_paused():
            pass
        assert not gc.isenabled()
    finally:
        gc.enable()
