"""Services that the tests of the whole path share: one for each file, or a fresh one for each test."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support.whole_service import WholeService, settings_in, whole_service


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[WholeService]:
    """One service for all tests of a file, so each of them takes cases and devices of its own."""
    with whole_service(settings_in(tmp_path_factory.mktemp("service"))) as service:
        yield service


@pytest.fixture
def fresh(tmp_path: Path) -> Iterator[WholeService]:
    """A service with an empty store."""
    with whole_service(settings_in(tmp_path)) as service:
        yield service
