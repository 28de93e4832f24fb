"""The bytes of each Bundle that was sent, kept before it went out, and which deliveries it holds."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from sqlalchemy import bindparam, insert, select, update

from service.storage.schema import batches, deliveries
from service.storage.statements import Among, Statement, Transaction, number_list

_INSERT = Statement(
    insert(batches).returning(batches.c.batch_id), columns=["strategy", "body", "created_at", "left_out"]
)
_ONE = Statement(
    select(batches.c.strategy, batches.c.body, batches.c.left_out).where(
        batches.c.batch_id == bindparam("batch_id")
    )
)
_SET = Statement(
    update(deliveries)
    .where(Among(deliveries.c.delivery_id, "of"))
    .values(batch_id=bindparam("new_batch"), alone=bindparam("new_alone"))
)


@dataclass(frozen=True, slots=True)
class KeptBatch:
    """The bytes of a batch, the strategy by which they were made, and the resource types that it left out."""

    strategy: str
    body: bytes
    left_out: frozenset[str] = frozenset()


def keep_batch(tx: Transaction, batch: KeptBatch, members: Iterable[int], now: str) -> int:
    """Keep the bytes that are about to be sent for `members`, so that a retry sends the same; return the number."""
    left_out = ",".join(sorted(batch.left_out)) or None
    row = tx.one(_INSERT, strategy=batch.strategy, body=batch.body, created_at=now, left_out=left_out)
    if row is None:
        raise RuntimeError("the database gave the new batch no number")
    tx.run(_SET, of=number_list(members), new_batch=row[0], new_alone=0)
    return int(row[0])


def find_batch(tx: Transaction, batch_id: int) -> KeptBatch:
    """Return a batch; RuntimeError where the store has lost it."""
    row = tx.one(_ONE, batch_id=batch_id)
    if row is None:
        raise RuntimeError(f"the batch {batch_id} is not in the store")
    return KeptBatch(row[0], row[1], frozenset(row[2].split(",")) if row[2] else frozenset())


def dissolve_batch(tx: Transaction, members: Iterable[int]) -> None:
    """Take deliveries out of their batch, so that new bytes are made for each of them by itself."""
    tx.run(_SET, of=number_list(members), new_batch=None, new_alone=1)
