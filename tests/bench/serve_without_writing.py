"""Serves the service with a store that keeps no event: the other side of the measurement in durable_ingest.

Everything that taking an event computes is computed: body, JSON, validation, mapping, checking, the hashes of the
audit log, the bytes of outbox and answer. What is left out is the database: no BEGIN, no COMMIT, no statement, no
hand-over to the writer's thread. Reads are answered from memory with what the first event of each case read from
the real store; of an id that was not seen then, nothing is known. So a repeated event would not be noticed here,
and nothing survives.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, ClassVar, TypeVar

from sqlalchemy.dialects import sqlite

import service.main
from service.cli.serve import serve_command
from service.storage.statements import Cursor, Row, Statement, Transaction
from service.storage.store import Store, Unit

T = TypeVar("T")
I = TypeVar("I")  # noqa: E741 - the item of a joint unit, beside its result T.

_DIALECT = sqlite.dialect(paramstyle="qmark")
_Answers = dict[tuple[Statement, tuple[Any, ...]], list[Row]]


class _NoCursor:
    """A cursor that is never asked."""

    description: Any = None
    rowcount = 1

    def execute(self, sql: str, _parameters: Any = (), /) -> Any:
        """Refuse: nothing may reach a database here."""
        raise AssertionError(f"no statement was to be run: {sql}")

    def executemany(self, sql: str, _rows: Any, /) -> Any:
        """Refuse, as above."""
        raise AssertionError(f"no statement was to be run: {sql}")

    def fetchall(self) -> list[Any]:
        """Return no rows."""
        return []


class _Remembering(Transaction):
    """A real transaction whose reads are remembered where they found something."""

    def __init__(self, real: Transaction, answers: _Answers) -> None:
        super().__init__(real._cursor, real._dialect)
        self._answers = answers
        self.has_taken_event = False

    def run(self, statement: Statement, **parameters: Any) -> list[Row]:
        """Run a statement and remember the rows of a SELECT."""
        rows = super().run(statement, **parameters)
        if rows and statement.for_dialect(_DIALECT).sql.startswith("SELECT"):
            self._answers[statement, tuple(parameters.values())] = rows
        return rows

    def add(self, insert: Statement, rows: Iterable[Mapping[str, Any]]) -> None:
        """Insert rows, and note when an event is among them."""
        self.has_taken_event |= "events" in insert.tables
        super().add(insert, rows)


class _FromMemory(Transaction):
    """A transaction that reads from memory and writes nowhere."""

    def __init__(self, cursor: Cursor, answers: _Answers) -> None:
        super().__init__(cursor, _DIALECT)
        self._answers = answers

    def run(self, statement: Statement, **parameters: Any) -> list[Row]:
        """Return what was remembered; for an insert that returns a number, one."""
        sql = statement.for_dialect(_DIALECT).sql
        if sql.startswith("SELECT"):
            return self._answers.get((statement, tuple(parameters.values())), [])
        return [(1,)] if "RETURNING" in sql else []

    def run_many(self, statement: Statement, rows: Sequence[Mapping[str, Any]]) -> None:
        """Write nothing."""

    def add(self, insert: Statement, rows: Iterable[Mapping[str, Any]]) -> None:  # noqa: ARG002 - as the real one.
        """Write nothing, though the rows are made."""
        list(rows)


class WithoutWriting(Store):
    """A store that writes really until it has taken one event of each case, and not at all from then on."""

    _answers: _Answers | None = None
    _first_answers: ClassVar[_Answers] = {}
    _left = int(os.environ.get("BENCH_CASES", "1"))

    async def write(self, unit: Unit[T], *, is_long: bool = False) -> T:
        """Run `unit` at once, on the loop's own thread, and return its result."""
        if self._answers is None:
            return await super().write(lambda tx: self._remember(unit, tx), is_long=is_long)
        return unit(_FromMemory(_NoCursor(), self._answers))

    async def write_jointly(self, do: Callable[[Transaction, Sequence[I]], Sequence[T]], item: I) -> T:
        """Do one thing by itself: there is no commit to be shared."""
        return await self.write(lambda tx: do(tx, [item])[0])

    def _remember(self, unit: Unit[T], tx: Transaction) -> T:
        remembering = _Remembering(tx, self._first_answers)
        result = unit(remembering)
        if remembering.has_taken_event:
            self._left -= 1
            if not self._left:
                self._answers = self._first_answers
        return result


if __name__ == "__main__":
    # The application has no setting for this, and shall have none.
    setattr(service.main, "Store", WithoutWriting)  # noqa: B010 - the module does not offer the name to others.
    serve_command(host="127.0.0.1", port=int(sys.argv[1]), delivers=False)
