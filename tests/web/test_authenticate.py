"""The file of tokens holds hashes only, and a file that cannot be read as one stops the start."""

from __future__ import annotations

from pathlib import Path

import pytest

from service.settings import WrongSettings
from service.web.authenticate import Scope, new_token, read_token_file, token_digest

WRONG_FILES = {
    "no list": "tokens: none",
    "a list of words": "- a\n- b",
    "no scopes": f"- name: a\n  sha256: {'0' * 64}",
    "a scope that is not known": f"- name: a\n  scopes: [all]\n  sha256: {'0' * 64}",
    "a hash that is too short": "- name: a\n  scopes: [audit]\n  sha256: '00'",
    "the token itself": "- name: a\n  scopes: [audit]\n  sha256: Zm9v-not-hexadecimal",
    "no YAML": "- [",
}


@pytest.mark.parametrize("name", WRONG_FILES)
def test_a_file_that_holds_no_tokens_stops_the_start_without_repeating_it(name: str, tmp_path: Path) -> None:
    file = tmp_path / "tokens.yaml"
    file.write_text(WRONG_FILES[name], encoding="utf-8")
    with pytest.raises(WrongSettings, match="RESUS_TOKENS") as wrong:
        read_token_file(file)
    assert "Zm9v" not in str(wrong.value)


def test_a_file_that_is_not_there_stops_the_start(tmp_path: Path) -> None:
    with pytest.raises(WrongSettings, match="RESUS_TOKENS"):
        read_token_file(tmp_path / "none.yaml")


def test_a_token_is_long_random_and_not_its_digest(tmp_path: Path) -> None:
    tokens = {new_token() for _ in range(100)}
    assert len(tokens) == 100
    token = tokens.pop()
    assert len(token) >= 43
    file = tmp_path / "tokens.yaml"
    file.write_text(f"- name: a\n  scopes: [audit, record]\n  sha256: {token_digest(token)}", encoding="utf-8")
    ((digest, caller),) = read_token_file(file)
    assert digest == token_digest(token)
    assert (caller.name, caller.scopes) == ("a", frozenset({Scope.AUDIT, Scope.RECORD}))
