"""Settings: a name that does not exist stops the start, and without authentication nobody else is let in."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
import structlog
from typer.testing import CliRunner

from service.cli import app
from service.main import check_address
from service.settings import AuthMode, Settings, WrongSettings, is_loopback, read_settings


@pytest.fixture(autouse=True)
def restored_logging() -> Iterator[None]:
    """Undo what a command does to the log: it would write to a stream that is closed by then."""
    yield
    structlog.reset_defaults()


@pytest.mark.parametrize("host", ["127.0.0.1", "127.9.9.9", "::1", "localhost"])
def test_without_authentication_a_loopback_address_is_taken(host: str) -> None:
    assert is_loopback(host)
    check_address(Settings(), host)


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.0.2.1", "example.org", "", "localhost.example.org"])  # noqa: S104
def test_without_authentication_any_other_address_is_refused(host: str) -> None:
    with pytest.raises(WrongSettings, match="RESUS_AUTH=tokens"):
        check_address(Settings(), host)
    check_address(Settings(auth=AuthMode.TOKENS, tokens=Path("tokens.yaml")), host)


def test_serve_without_authentication_on_another_address_does_not_start() -> None:
    outcome = CliRunner().invoke(app, ["serve", "--host", "0.0.0.0", "--port", "1"])  # noqa: S104
    assert outcome.exit_code == 2
    assert "loopback" in outcome.output


def test_a_name_that_does_not_exist_stops_the_start_and_the_known_ones_are_listed(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("RESUS_DESTINATON", "http://example.org/fhir")
    outcome = CliRunner().invoke(app, ["serve", "--port", "1"])
    assert outcome.exit_code == 2
    assert "RESUS_DESTINATON" in outcome.output
    assert "RESUS_DESTINATION" in outcome.output


WRONG = {
    "RESUS_DESTINATION": "not a url",
    "RESUS_AUTH": "perhaps",
    "RESUS_BODY_MAX_BYTES": "many",
    "RESUS_BUNDLE_MAX_ENTRIES": "0",
    "RESUS_CONNECTIONS": "33",
    "RESUS_RETRY_FIRST_SECONDS": "-1",
    "RESUS_SOURCE": "no uri",
    "RESUS_STRATEGY": "hope",
}


@pytest.mark.parametrize("name", WRONG)
def test_a_value_that_cannot_be_used_stops_the_start_and_is_not_repeated(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(name, f"{WRONG[name]}")
    with pytest.raises(WrongSettings, match=name) as wrong:
        read_settings({name: WRONG[name]})
    assert WRONG[name] not in str(wrong.value).replace(name, "") or len(WRONG[name]) < 3


def test_settings_that_do_not_belong_together_stop_the_start(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("RESUS_AUTH", "tokens")
    with pytest.raises(WrongSettings, match="RESUS_TOKENS"):
        read_settings({"RESUS_AUTH": "tokens"})
    monkeypatch.setenv("RESUS_AUTH", "none")
    monkeypatch.setenv("RESUS_RETRY_FIRST_SECONDS", "400")
    with pytest.raises(WrongSettings, match="longer than"):
        read_settings({"RESUS_RETRY_FIRST_SECONDS": "400"})
