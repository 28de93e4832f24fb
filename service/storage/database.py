"""What the store wants of a database: connections, transactions of three kinds, and its own errors."""

from __future__ import annotations

from contextlib import AbstractContextManager
from typing import Protocol

from service.problems import Code, Problem, Unavailable
from service.storage.statements import Transaction

NEWEST_REVISION = "0005"
"""The Alembic revision that this code works with; a test holds it against the migrations."""


class Connection(Protocol):
    """One connection, used by one thread at a time."""

    @property
    def is_broken(self) -> bool:
        """Return whether it can be used no more, so that another one is to be made."""

    def reading(self) -> AbstractContextManager[Transaction]:
        """Begin a transaction that sees one snapshot and writes nothing."""

    def writing(self) -> AbstractContextManager[Transaction]:
        """Begin a transaction beside which no other writer runs, in whatever process; commit it at the end."""

    def claiming(self) -> AbstractContextManager[Transaction]:
        """Begin a transaction that takes rows past those that others hold, and appends nothing to the log."""

    def close(self) -> None:
        """Close it."""


class Database(Protocol):
    """One place where a store is kept."""

    @property
    def name(self) -> str:
        """Return how messages call it; never with a password."""

    @property
    def wanted(self) -> str:
        """Return what would be right where it cannot be opened."""

    @property
    def errors(self) -> tuple[type[Exception], ...]:
        """Return what its driver raises."""

    @property
    def is_shared(self) -> bool:
        """Return whether several machines may use it, whose clocks differ."""

    def exists(self) -> bool:
        """Return whether there is something to open, as far as that can be seen without opening it."""

    def bring_to_newest_schema(self) -> None:
        """Create what is missing; several processes may call it at once."""

    def connect(self, *, reads_only: bool) -> Connection:
        """Return a new connection."""

    def hold_delivery_right(self) -> AbstractContextManager[bool]:
        """Try to take the right to deliver; yield whether this process has it, until the end."""


def unavailable(error: Exception) -> Unavailable:
    """Return the problem that stands for an error of a driver, without anything that was written."""
    message = f"the store does not answer: {type(error).__name__}"
    return Unavailable([Problem(Code.STORE_UNAVAILABLE, "", message, "try again later")])


def cannot_open(database: Database, error: Exception) -> Unavailable:
    """Return the problem of a store that cannot be opened."""
    # The rest of a driver's message repeats what was asked for, or gives hints for its own command line.
    reason = str(error).strip().partition("\n")[0] or type(error).__name__
    message = f"the store {database.name} cannot be opened: {reason}"
    return Unavailable([Problem(Code.STORE_UNAVAILABLE, "", message, database.wanted)])
