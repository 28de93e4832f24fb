"""The read-back: fetches what was delivered, compares it with what was sent, and keeps and logs what it found."""

from __future__ import annotations

import asyncio
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Any

from service.audit.append_entry import Action, Happening, append_entry
from service.clock import Clock, MakeId
from service.delivery.authorise import NotAuthorisedError
from service.delivery.compare_resource import differences
from service.delivery.exchange import UnreachableError
from service.delivery.fhir_client import FhirClient
from service.delivery.sent_resources import sent_resources
from service.exact_json import BrokenJsonError, read_json
from service.records.receipts import Receipt
from service.records.record_keys import case_key, device_key
from service.records.references import type_and_id
from service.storage.batches import find_batch
from service.storage.deliveries import resources_of_delivery
from service.storage.read_backs import (
    DeliveredResource,
    Result,
    arrived_resource,
    delivered_after,
    keep_read_back,
)
from service.storage.remote_ids import remote_id
from service.storage.resources import known_version
from service.storage.statements import Transaction
from service.storage.store import Store

ACTOR = "resus-fhir"
_PAGE = 50
"""How many deliveries are looked at in one go; each holds a few resources."""
_MOST_NAMED = 100
"""How many resources an audit entry names of those that were changed or are gone; it counts all of them."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """A resource that the destination must hold, and how it was sent."""

    resource: DeliveredResource
    sent: dict[str, Any]


@dataclass(frozen=True, slots=True)
class ReadBackFinding:
    """What the destination holds of a resource; `paths` says where it holds something else."""

    resource: DeliveredResource
    result: Result
    paths: tuple[str, ...] = ()


@dataclass(slots=True)
class ReadBackReport:
    """What one run found: counts for each case and device, by the subject that the audit log gives them.

    `problem` says why the run ended early and is None where it saw everything.
    """

    run: str
    counts: dict[str, Counter[Result]] = field(default_factory=lambda: defaultdict(Counter))
    changed: dict[str, list[ReadBackFinding]] = field(default_factory=lambda: defaultdict(list))
    problem: str | None = None

    def add(self, found: ReadBackFinding) -> None:
        """Count one resource."""
        subject = _subject(found.resource)
        self.counts[subject][found.result] += 1
        if found.result is not Result.KEPT:
            self.changed[subject].append(found)

    @property
    def total(self) -> Counter[Result]:
        """Return the counts over everything."""
        return sum(self.counts.values(), Counter())


class _StoppedError(Exception):
    """The destination does not answer for a resource, so the run says nothing of it and ends."""


def _subject(resource: DeliveredResource) -> str:
    if resource.case_id is not None:
        return case_key(resource.case_id)
    return device_key(str(resource.device_id))


async def read_back(
    store: Store, client: FhirClient, clock: Clock, make_id: MakeId, case_id: str | None = None
) -> ReadBackReport:
    """Return what the destination holds of all that was delivered, or of one case; every run is in the audit log.

    Only the newest version of a resource is looked at, and only once it has arrived: what waits, is held, was
    discarded or left out is not the chart's to keep. Nothing is ever written to the destination.
    """
    report = ReadBackReport(make_id())
    after = 0
    try:
        while page := await store.read(partial(_page, case_id=case_id, after=after)):
            founds = await _fetch_all(client, page.wanted)
            now = Receipt(ACTOR, clock()).stamp
            for found in await store.write(partial(_keep, founds=founds, now=now)):
                report.add(found)
            after = page.last
    except (_StoppedError, UnreachableError, NotAuthorisedError) as error:
        report.problem = str(error)
    receipt = Receipt(ACTOR, clock())
    await store.write(lambda tx: _log(tx, report, case_id, receipt))
    return report


@dataclass(frozen=True, slots=True)
class _Page:
    """The resources of the next deliveries, and the number of the last of these."""

    last: int
    wanted: list[Wanted]


def _page(tx: Transaction, case_id: str | None, after: int) -> _Page | None:
    """Return the next resources that the destination must hold, as they were sent; None where there are no more."""
    page = delivered_after(tx, case_id, after, _PAGE)
    if not page:
        return None
    wanted: list[Wanted] = []
    batches: dict[int, dict[str, dict[str, Any]]] = {}
    for delivery_id, batch_id in page:
        for resource_type, resource_id, _ in resources_of_delivery(tx, delivery_id):
            resource = arrived_resource(tx, (resource_type, resource_id), delivery_id)
            if resource is None:
                continue
            if batch_id not in batches:
                batches[batch_id] = _sent(tx, batch_id)
            sent = batches[batch_id].get(resource.reference)
            if sent is not None:
                wanted.append(Wanted(resource, sent))
    return _Page(page[-1][0], wanted)


def _sent(tx: Transaction, batch_id: int) -> dict[str, dict[str, Any]]:
    body = find_batch(tx, batch_id).body
    references = sent_resources(body, {})
    known = {reference: remote_id(tx, *type_and_id(reference)) for reference in references}
    return sent_resources(body, {reference: remote for reference, remote in known.items() if remote is not None})


async def _fetch_all(client: FhirClient, wanted: Sequence[Wanted]) -> list[ReadBackFinding]:
    """Return what the destination holds of each, asked for over a part of the connections."""
    # Deliveries go on at the same time and come first.
    at_a_time = asyncio.Semaphore(max(1, client.connections // 2))

    async def fetch(one: Wanted) -> ReadBackFinding:
        async with at_a_time:
            return await _fetch(client, one)

    return list(await asyncio.gather(*(fetch(one) for one in wanted)))


async def _fetch(client: FhirClient, wanted: Wanted) -> ReadBackFinding:
    resource = wanted.resource
    answer = await client.read(resource.resource_type, resource.remote_id)
    if answer.status in (404, 410):
        return ReadBackFinding(resource, Result.GONE)
    if answer.status != 200:
        raise _StoppedError(f"the server answered {answer.status} to a read of {resource.reference}")
    try:
        held = read_json(answer.body)
    except BrokenJsonError:
        held = None
    if not isinstance(held, dict):
        raise _StoppedError(f"the server answered a read of {resource.reference} with a body that is not JSON")
    paths = differences(wanted.sent, held, client.base)
    return ReadBackFinding(resource, Result.CHANGED if paths else Result.KEPT, tuple(paths))


def _keep(tx: Transaction, founds: Sequence[ReadBackFinding], now: str) -> list[ReadBackFinding]:
    """Keep what was found and return it, but for resources of which a newer version was made in the meantime."""
    kept: list[ReadBackFinding] = []
    for found in founds:
        resource = found.resource
        known = known_version(tx, resource.resource_type, resource.resource_id)
        if known is not None and known.sha256 == resource.sha256:
            keep_read_back(tx, resource, found.result, now)
            kept.append(found)
    return kept


def _log(tx: Transaction, report: ReadBackReport, case_id: str | None, receipt: Receipt) -> None:
    """Log each case and device of which something was changed or is gone, and the run as a whole.

    A run over one case is logged as what was found of that case, whatever it was.
    """
    for subject in report.changed if case_id is None else ():
        _log_subject(tx, report, subject, report.changed[subject][0].resource.case_id, receipt)
    if case_id is not None:
        _log_subject(tx, report, case_key(case_id), case_id, receipt)
        return
    detail = {"run": report.run, "cases_and_devices": len(report.counts), **_words(report.total), **_why(report)}
    outcome = "complete" if report.problem is None else "ended-early"
    append_entry(tx, receipt, Happening(Action.READ_BACK, "destination", outcome, None, detail))


def _log_subject(
    tx: Transaction, report: ReadBackReport, subject: str, case_id: str | None, receipt: Receipt
) -> None:
    founds = report.changed.get(subject, [])
    counts = report.counts.get(subject, Counter())
    named = {found.resource.reference: [found.result.value, *found.paths] for found in founds[:_MOST_NAMED]}
    detail = {"run": report.run, **_words(counts), "resources": named, **_why(report)}
    worst = next((result for result in (Result.GONE, Result.CHANGED) if counts[result]), Result.KEPT)
    outcome = worst.value if report.problem is None or founds else "ended-early"
    append_entry(tx, receipt, Happening(Action.READ_BACK, subject, outcome, case_id, detail))


def _why(report: ReadBackReport) -> dict[str, str]:
    return {} if report.problem is None else {"reason": report.problem}


def _words(counts: Counter[Result]) -> dict[str, int]:
    return {result.value: counts[result] for result in Result}
