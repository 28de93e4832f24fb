"""Opens or amends a case."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from service.audit.append_entry import Action, Happening, append_entry
from service.intake.read_record import ReadRecord
from service.making.check_made import check_made
from service.making.frame_case import CaseFrame, frame_case
from service.making.make_events import make_span
from service.making.record_resource import RecordResource, in_record
from service.making.stages import Stages
from service.outbox.queue_resources import owned_by_case, queue_deliveries
from service.problems import Code, Problem, refusal
from service.reading.find_case import Clocks, OpenCase
from service.reading.read_case import case_body
from service.records.record_keys import case_key
from service.records.spans import CASE
from service.storage.cases import StoredCase, find_case, keep_case
from service.storage.events import events_between
from service.storage.statements import Transaction
from service.taking.remake_events import remake_whole_case
from service.taking.submissions import Submission, Taken, log_repeat, require_version
from service.timeline.find_spans import find_spans

FIXED_FIELDS = ("patient",)
"""Fields of a case that an amendment may not change: another patient would be another record."""


def _fixed_changes(old: Mapping[str, Any], new: Mapping[str, Any]) -> list[Problem]:
    return [
        Problem(
            Code.SEALED_FIELD,
            f"/{name}",
            f"{name!r} cannot be changed after the case is opened",
            f"the {name} with which the case was opened",
        )
        for name in FIXED_FIELDS
        if old.get(name) != new.get(name)
    ]


def take_case(tx: Transaction, stages: Stages, case_id: str, read: ReadRecord, submission: Submission) -> Taken:
    """Keep a case, its anchors and its audit entry.

    The same content again changes nothing. An amendment makes the resources of all its events again; those of a
    long case follow in units of their own. Raises a ServiceProblem, with nothing kept, where it is refused.
    """
    receipt, key = submission.receipt, case_key(case_id)
    old = find_case(tx, case_id)
    if old is not None and old.content_hash == read.content_hash:
        log_repeat(tx, submission)
        return Taken(200, case_body(tx, old), is_repeat=True)
    require_version(submission, old.version if old else 0)
    if old is not None and (fixed := _fixed_changes(old.content, read.content)):
        raise refusal(fixed)
    opened_at = old.opened_at if old else receipt.received_at
    frame = frame_case(stages, case_id, read.content, opened_at)
    anchors = [*in_record(frame.resources, key), *_spans_of_case(tx, stages, frame)]
    check_made(anchors)
    case = StoredCase(case_id, old.version + 1 if old else 1, read.content, read.content_hash, opened_at)
    keep_case(tx, case, receipt)
    # Anchors and the spans of the case itself refer to each other, so that neither can arrive before the other.
    queued = queue_deliveries(tx, owned_by_case(case_id), {key: anchors}, receipt.stamp)
    detail = {"version": case.version, **read.hashes, **(queued[key].detail if key in queued else {})}
    action = Action.CASE_AMENDED if old else Action.CASE_TAKEN
    append_entry(tx, receipt, Happening(action, key, "accepted", case_id, detail))
    if old is not None:
        remake_whole_case(tx, stages, case_id, receipt)
    return Taken(200 if old else 201, case_body(tx, case))


def _spans_of_case(tx: Transaction, stages: Stages, frame: CaseFrame) -> list[RecordResource]:
    """Return the resources of the spans that begin with the case itself."""
    made: list[RecordResource] = []
    for name, shape in stages.vocabulary.spans.items():
        if CASE in shape.span.starts:
            events = events_between(tx, frame.case_id, shape.span.kinds - {CASE})
            timeline = OpenCase(tx, stages, frame, Clocks(tx, stages)).place(events)
            for span in find_spans(name, shape.span, timeline):
                made += make_span(stages, frame, span, timeline)
    return made
