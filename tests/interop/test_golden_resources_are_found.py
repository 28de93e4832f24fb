"""The golden resources reach the tests over them: every one, with its digits, and never none in silence."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.support.golden_resources import present, read_golden_resources


def test_every_resource_of_every_file_is_found_with_its_digits(tmp_path: Path) -> None:
    (tmp_path / "b.json").write_text('{"resources": [{"resourceType": "Patient"}, {"resourceType": "Device"}]}')
    (tmp_path / "a.json").write_text('{"resources": [{"resourceType": "Basic", "x": 1.50}]}')
    found = read_golden_resources(tmp_path)
    assert [golden.name for golden in found] == ["a-0-Basic", "b-0-Patient", "b-1-Device"]
    assert found[0].resource["x"].literal == "1.50"


def test_no_file_at_all_and_files_without_resources_are_failures(tmp_path: Path) -> None:
    with pytest.raises(AssertionError, match="there is no golden resource"):
        read_golden_resources(tmp_path)
    (tmp_path / "empty.json").write_text('{"resources": []}')
    with pytest.raises(AssertionError, match="there is no golden resource"):
        read_golden_resources(tmp_path)


def test_a_test_over_no_golden_resource_fails() -> None:
    with pytest.raises(AssertionError, match="there is no golden resource"):
        present(None)
