"""Writes the golden files again from what the real service makes: python -m tests.support.write_goldens.

What comes out is to be read as a diff before it is committed; the tests compare and never write.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterable
from functools import cache
from pathlib import Path
from typing import Any

import orjson

from service.data_folders import data_folder
from service.exact_json import ExactNumber
from tests.support.golden_resources import GOLDEN_FOLDER
from tests.support.load_vocabulary import load_vocabulary
from tests.support.whole_service import WholeService, settings_in, whole_service

CASE_EXAMPLES = {"demo": "c-demo", "paediatric": "c-paediatric", "pacing": "c-pacing"}
"""Each example of a case, and the id under which it is posted."""


@cache
def kind_examples() -> dict[str, dict[str, Any]]:
    """Return the example of every event kind, as the mapping data hold it."""
    shapes = load_vocabulary(data_folder("mappings")).events
    return {kind: {"id": "e-1", "at": "2031-03-02T10:02:05+01:00", **shape.example, "kind": kind}
            for kind, shape in shapes.items()}  # fmt: skip


def _sorted(resources: Iterable[dict[str, Any]]) -> list[dict[str, Any]]:
    return sorted(resources, key=lambda resource: (resource["resourceType"], resource["id"]))


def make_example_goldens(service: WholeService) -> dict[str, list[dict[str, Any]]]:
    """Return what the service makes of each example; the check comes first, so that its clock is known."""
    check = service.post_device_check()
    device = service.stored_resource(check["resources"][0])["subject"]["reference"]
    goldens = {"device-check": _sorted(map(service.stored_resource, [device, *check["resources"]]))}
    for example, case_id in CASE_EXAMPLES.items():
        service.post_case_example(example, case_id)
        goldens[example] = _sorted(service.resources(case_id))
    return goldens


def make_kind_goldens(service: WholeService) -> dict[str, list[dict[str, Any]]]:
    """Return what the service makes of the example of each event kind, in a case of its own."""
    goldens = {}
    for kind, event in kind_examples().items():
        case_id = f"c-{kind}"
        service.open_case(case_id)
        answer = service.post_event(case_id, event)
        assert answer.status_code == 201, f"{kind}: {answer.text}"
        goldens[f"kinds/{kind}"] = _sorted(service.resources_of_event(case_id, event["id"]))
    return goldens


def make_goldens(service: WholeService) -> dict[str, list[dict[str, Any]]]:
    """Return the content of all golden files by their names without the ending."""
    return {**make_example_goldens(service), **make_kind_goldens(service)}


def _as_written(value: Any) -> Any:
    if isinstance(value, ExactNumber):
        return orjson.Fragment(value.literal)
    raise TypeError(f"{type(value).__name__} has no JSON form")


def write_goldens(folder: Path = GOLDEN_FOLDER) -> list[Path]:
    """Write every golden file and return their paths; a file that nothing makes any more is removed."""
    with tempfile.TemporaryDirectory() as store, whole_service(settings_in(Path(store)), delivers=False) as service:
        goldens = make_goldens(service)
    written = []
    for name, resources in goldens.items():
        path = folder / f"{name}.json"
        path.parent.mkdir(parents=True, exist_ok=True)
        text = orjson.dumps({"resources": resources}, default=_as_written, option=orjson.OPT_INDENT_2)
        path.write_bytes(text + b"\n")
        written.append(path)
    for left_over in set(folder.rglob("*.json")) - set(written):
        left_over.unlink()
    return written


if __name__ == "__main__":
    print(f"{len(write_goldens())} golden files written; read the diff before you commit it")
