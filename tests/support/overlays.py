"""Writes small overlays for tests, and loads the shipped mappings with them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from textwrap import dedent
from typing import Any

from service.data_folders import data_folder
from service.making.example_records import TAKEN_AT
from service.making.frame_case import frame_case
from service.making.make_events import make_timeline
from service.making.record_resource import RecordResource
from service.making.stages import Stages, load_stages
from service.mapping.explain_mapping import ExplainedResource, explaining
from service.records.events import RecordedEvent
from tests.support.made_events import timeline

SHIPPED_OVERLAY = data_folder("examples") / "overlay"
SOURCE = "urn:example:overlays"


def write_overlay(folder: Path, files: Mapping[str, str]) -> Path:
    """Write the files of an overlay and return its folder."""
    overlay = folder / "overlay"
    for name, text in files.items():
        (overlay / name).parent.mkdir(parents=True, exist_ok=True)
        (overlay / name).write_text(dedent(text), encoding="utf-8")
    return overlay


def with_overlay(folder: Path, files: Mapping[str, str]) -> Stages:
    """Return the stages with an overlay of these files, untried."""
    return load_stages(SOURCE, write_overlay(folder, files))


def make_event_unchecked(stages: Stages, event: Mapping[str, Any]) -> list[RecordResource]:
    """Return the resources of one event in the case of the mapping's example, whatever its values are."""
    frame = frame_case(stages, "c-1", stages.vocabulary.case.example, TAKEN_AT)
    recorded = RecordedEvent(
        "c-1", event["id"], event["kind"], 1, retracted=False, content=dict(event), received_at=TAKEN_AT
    )
    made = make_timeline(stages, frame, timeline([recorded]))
    return [one for one in made if one.record.startswith("event:")]


def explained_stages(stages: Stages) -> tuple[Stages, dict[str, ExplainedResource]]:
    """Return the same stages with mappings that explain, and where the explanations are kept."""
    mappings, explained = explaining(stages.mappings)
    return replace(stages, mappings=mappings, remembered={}), explained
