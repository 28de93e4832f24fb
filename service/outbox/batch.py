"""A batch: deliveries of one lane that go out in one Bundle, with the bytes once they are fixed."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

from service.delivery.build_bundle import Outgoing, build_bundle, sendable
from service.records.references import references_in_json, type_and_id
from service.settings import Strategy
from service.storage.batches import find_batch
from service.storage.deliveries import Delivery, deliveries_of_batch, resources_of_deliveries
from service.storage.remote_ids import remote_id
from service.storage.statements import Transaction


@dataclass(frozen=True)
class Batch:
    """Deliveries that go out together. `batch_id` and `body` are set once the bytes are kept.

    `resources` holds those of each member; `remote_ids` the ids that the server gave what they refer to.
    """

    members: tuple[Delivery, ...]
    resources: tuple[tuple[Outgoing, ...], ...]
    strategy: Strategy
    remote_ids: Mapping[str, str]
    left_out: frozenset[str] = frozenset()
    batch_id: int | None = None
    body: bytes | None = None

    @property
    def lane(self) -> str:
        """Return the lane of all members."""
        return self.members[0].lane

    @property
    def case_id(self) -> str | None:
        """Return the case of all members."""
        return self.members[0].case_id

    @property
    def repeats_safely(self) -> bool:
        """Return whether the same bytes, sent again, replace whatever was done of them the time before.

        A conditional create does not: what a server made of a half-done Bundle, with references that lead nowhere,
        it would find again and leave as it is.
        """
        return self.strategy is not Strategy.CONDITIONAL_CREATE

    @property
    def numbers(self) -> list[int]:
        """Return the numbers of the members."""
        return [member.delivery_id for member in self.members]

    @cached_property
    def sent(self) -> list[Outgoing]:
        """Return the resources that go out, in the order of the Bundle's entries."""
        return sendable(
            [resource for member in self.resources for resource in member], self.strategy, self.left_out
        )

    @property
    def unsent_places(self) -> list[int]:
        """Return the places of the members of which nothing goes out."""
        return [
            place
            for place, resources in enumerate(self.resources)
            if not sendable(resources, self.strategy, self.left_out)
        ]

    def only(self, places: Iterable[int]) -> Batch:
        """Return the batch with those of its members alone."""
        chosen = list(places)
        return replace(
            self,
            members=tuple(self.members[place] for place in chosen),
            resources=tuple(self.resources[place] for place in chosen),
        )

    def bytes_for(self, base: str) -> bytes:
        """Return the bytes to be sent: the same as before where the batch has been sent before."""
        return self.body or build_bundle(self.sent, self.strategy, base, self.remote_ids, self.left_out)


def load_batch(
    tx: Transaction, members: Sequence[Delivery], strategy: Strategy, left_out: frozenset[str] = frozenset()
) -> Batch:
    """Return the batch of `members`: as it was sent before, or with as many of them as one Bundle may hold.

    `left_out` are the resource types that are not sent; a batch that was sent before keeps those of that time.
    """
    batch_id = members[0].batch_id
    if batch_id is not None:
        kept = find_batch(tx, batch_id)
        together = tuple(deliveries_of_batch(tx, batch_id))
        bodies = _resources(tx, together)
        all_resources = tuple(bodies[member.delivery_id] for member in together)
        return Batch(together, all_resources, Strategy(kept.strategy), {}, kept.left_out, batch_id, kept.body)
    taken: list[Delivery] = []
    outgoing: list[tuple[Outgoing, ...]] = []
    seen: set[str] = set()
    bodies = _resources(tx, members)
    for member in members:
        resources = bodies[member.delivery_id]
        keys = {resource.reference for resource in resources}
        if seen & keys:
            break  # One Bundle may touch a resource only once; the later version goes out in the next one.
        seen |= keys
        taken.append(member)
        outgoing.append(resources)
    remote_ids = {} if strategy is Strategy.CLIENT_IDS else _remote_ids(tx, outgoing)
    return Batch(tuple(taken), tuple(outgoing), strategy, remote_ids, left_out)


def _resources(tx: Transaction, members: Iterable[Delivery]) -> dict[int, tuple[Outgoing, ...]]:
    found = resources_of_deliveries(tx, [member.delivery_id for member in members])
    return {number: tuple(Outgoing(*row) for row in rows) for number, rows in found.items()}


def _remote_ids(tx: Transaction, outgoing: Sequence[Sequence[Outgoing]]) -> dict[str, str]:
    """Return the server's ids of all resources in a batch and of all that they refer to, where it gave some."""
    references: set[str] = set()
    for resource in (resource for member in outgoing for resource in member):
        references |= {resource.reference, *references_in_json(resource.body)}
    known = {reference: remote_id(tx, *type_and_id(reference)) for reference in references}
    return {reference: remote for reference, remote in known.items() if remote is not None}
