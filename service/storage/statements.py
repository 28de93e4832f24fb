"""SQL statements written as SQLAlchemy expressions, compiled once for each database and run on its driver.

The plain driver is five times as fast as the same statement executed through SQLAlchemy, and the intake of
events is bound by it; the expressions keep one spelling for all databases.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Protocol

from sqlalchemy import ClauseElement, ColumnElement, String, bindparam
from sqlalchemy.engine import Dialect
from sqlalchemy.ext.compiler import compiles
from sqlalchemy.sql.compiler import SQLCompiler

from service.records.instants import stamp

Row = tuple[Any, ...]


class Cursor(Protocol):
    """What is used of a driver's cursor (PEP 249)."""

    @property
    def description(self) -> Any:
        """Return None after a statement that gives no rows."""

    @property
    def rowcount(self) -> int:
        """Return how many rows the last statement changed."""

    def execute(self, sql: str, parameters: Any = ..., /) -> Any:
        """Run one statement."""

    def executemany(self, sql: str, rows: Any, /) -> Any:
        """Run one statement for each of the rows."""

    def fetchall(self) -> list[Any]:
        """Return all rows of the last statement."""


@dataclass(frozen=True, slots=True)
class Compiled:
    """A statement in one database's SQL.

    `order` names the parameters by place, and is None where the driver takes them by name; `fixed` holds the
    values that stand in the expression itself.
    """

    sql: str
    order: tuple[str, ...] | None
    fixed: Mapping[str, Any]


class Statement:
    """One statement; `columns` names the columns of an insert where it does not fill all of them."""

    __slots__ = ("_columns", "_compiled", "_expression")

    def __init__(self, expression: ClauseElement, columns: Sequence[str] | None = None) -> None:
        self._expression = expression
        self._columns = columns
        self._compiled: dict[str, Compiled] = {}

    def for_dialect(self, dialect: Dialect) -> Compiled:
        """Return the statement in the SQL of `dialect`."""
        known = self._compiled.get(dialect.name)
        if known is None:
            compiled = self._expression.compile(dialect=dialect, column_keys=self._columns)
            if not isinstance(compiled, SQLCompiler):
                raise TypeError("a statement is wanted, not a piece of one")
            known = self._compiled[dialect.name] = Compiled(
                str(compiled),
                tuple(compiled.positiontup) if compiled.positiontup is not None else None,
                {name: value for name, value in compiled.params.items() if value is not None},
            )
        return known


class Among(ColumnElement[bool]):
    """The condition that a column's number is one of several, which `number_list` makes a parameter of."""

    inherit_cache = False

    def __init__(self, column: ColumnElement[int], name: str) -> None:
        self.column = column
        self.numbers = bindparam(name, type_=String())


@compiles(Among, "sqlite")
def _among_in_sqlite(element: Among, compiler: SQLCompiler, **more: Any) -> str:
    column, numbers = compiler.process(element.column, **more), compiler.process(element.numbers, **more)
    return f"{column} IN (SELECT value FROM json_each('[' || {numbers} || ']'))"  # noqa: S608 - names of ours alone.


@compiles(Among, "postgresql")
def _among_in_postgresql(element: Among, compiler: SQLCompiler, **more: Any) -> str:
    column, numbers = compiler.process(element.column, **more), compiler.process(element.numbers, **more)
    return f"{column} = ANY (string_to_array({numbers}, ',')::bigint[])"


def number_list(values: Iterable[int]) -> str:
    """Return several numbers as one parameter for `Among`."""
    return ",".join(map(str, values))


class Transaction:
    """One open transaction; all that runs in it is kept together or not at all."""

    __slots__ = ("_cursor", "_dialect", "_moment", "chain_head")

    def __init__(self, cursor: Cursor, dialect: Dialect, moment: Statement | None = None) -> None:
        self._cursor = cursor
        self._dialect = dialect
        self._moment = moment
        self.chain_head: tuple[int, str] | None = None
        """Number and hash of the newest audit entry, once `service.audit` has read it in this transaction."""

    def run(self, statement: Statement, **parameters: Any) -> list[Row]:
        """Run a statement and return its rows; a statement that returns none gives an empty list."""
        compiled = statement.for_dialect(self._dialect)
        values = {**compiled.fixed, **parameters} if compiled.fixed else parameters
        order = compiled.order
        self._cursor.execute(compiled.sql, values if order is None else [values[name] for name in order])
        return self._cursor.fetchall() if self._cursor.description is not None else []

    def run_many(self, statement: Statement, rows: Sequence[Mapping[str, Any]]) -> None:
        """Run a statement that returns nothing once for each of the rows."""
        if not rows:
            return
        compiled = statement.for_dialect(self._dialect)
        fixed, order = compiled.fixed, compiled.order
        values = [{**fixed, **row} for row in rows]
        self._cursor.executemany(
            compiled.sql, values if order is None else [[row[name] for name in order] for row in values]
        )

    def change(self, statement: Statement, **parameters: Any) -> int:
        """Run a statement and return how many rows it changed."""
        self.run(statement, **parameters)
        return self._cursor.rowcount

    def one(self, statement: Statement, **parameters: Any) -> Row | None:
        """Run a statement and return its first row, if there is one."""
        rows = self.run(statement, **parameters)
        return rows[0] if rows else None

    def moment(self) -> str:
        """Return the time by the database's own clock, which is the same for all who share it."""
        if self._moment is None:
            return stamp(datetime.now(UTC))
        return str(self.run(self._moment)[0][0])
