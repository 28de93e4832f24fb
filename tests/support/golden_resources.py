"""The resources that the service is known to make, as the golden files hold them."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from service.exact_json import read_json

GOLDEN_FOLDER = Path(__file__).parents[1] / "golden"


@dataclass(frozen=True, slots=True)
class GoldenResource:
    """One resource of a golden file, with a name that says where it stands."""

    name: str
    resource: dict[str, Any]


def read_golden_resources(folder: Path = GOLDEN_FOLDER) -> list[GoldenResource]:
    """Return every resource of every golden file, numbers with the digits that stand there.

    Raises AssertionError where there is none: a test over no resource would prove nothing.
    """
    found = [
        GoldenResource(f"{path.stem}-{number}-{resource['resourceType']}", resource)
        for path in sorted(folder.rglob("*.json"))
        for number, resource in enumerate(read_json(path.read_bytes())["resources"])
    ]
    assert found, f"there is no golden resource in {folder}"
    return found


def each_golden_resource() -> pytest.MarkDecorator:
    """Return the mark that runs a test once for each golden resource, as its argument `golden`.

    Without any golden resource the test runs once with None, which `present` turns into a failure, since
    pytest would skip a test over nothing.
    """
    try:
        goldens: list[GoldenResource | None] = [*read_golden_resources()]
    except AssertionError:
        goldens = [None]
    names = [golden.name if golden else "none-found" for golden in goldens]
    return pytest.mark.parametrize("golden", goldens, ids=names)


def present(golden: GoldenResource | None) -> GoldenResource:
    """Return the golden resource, or fail the test where there is none."""
    assert golden is not None, f"there is no golden resource in {GOLDEN_FOLDER}"
    return golden
