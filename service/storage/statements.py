"""SQL statements written as SQLAlchemy expressions, compiled once for each database and run on its driver.

The plain driver is five times as fast as the same statement executed through SQLAlchemy, and the intake of
events is bound by it; the expressions keep one spelling for all databases.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Protocol

from sqlalchemy import ClauseElement, ColumnElement, String, Table, bindparam
from sqlalchemy.engine import Dialect
from sqlalchemy.ext.compiler import compiles
from sqlalchemy.sql.compiler import SQLCompiler
from sqlalchemy.sql.visitors import iterate

from service.exact_json import write_json
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

    __slots__ = ("_columns", "_compiled", "_expression", "tables")

    def __init__(self, expression: ClauseElement, columns: Sequence[str] | None = None) -> None:
        self._expression = expression
        self._columns = columns
        self._compiled: dict[str, Compiled] = {}
        self.tables = frozenset(part.name for part in iterate(expression) if isinstance(part, Table))

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


class _AmongListed(ColumnElement[bool]):
    """The condition that a column's value is one of several, all of which are one parameter."""

    inherit_cache = False

    def __init__(self, column: ColumnElement[Any], name: str) -> None:
        self.column = column
        self.listed = bindparam(name, type_=String())


class Among(_AmongListed):
    """The condition that a column's number is one of several, which `number_list` makes a parameter of."""

    inherit_cache = False


class AmongTexts(_AmongListed):
    """The condition that a column's text is one of several, which `text_list` makes a parameter of."""

    inherit_cache = False


def _compiled_parts(element: _AmongListed, compiler: SQLCompiler, more: Mapping[str, Any]) -> tuple[str, str]:
    return compiler.process(element.column, **more), compiler.process(element.listed, **more)


@compiles(Among, "sqlite")
def _numbers_in_sqlite(element: Among, compiler: SQLCompiler, **more: Any) -> str:
    column, numbers = _compiled_parts(element, compiler, more)
    return f"{column} IN (SELECT value FROM json_each('[' || {numbers} || ']'))"  # noqa: S608 - names of ours alone.


@compiles(Among, "postgresql")
def _numbers_in_postgresql(element: Among, compiler: SQLCompiler, **more: Any) -> str:
    column, numbers = _compiled_parts(element, compiler, more)
    return f"{column} = ANY (string_to_array({numbers}, ',')::bigint[])"


@compiles(AmongTexts, "sqlite")
def _texts_in_sqlite(element: AmongTexts, compiler: SQLCompiler, **more: Any) -> str:
    column, texts = _compiled_parts(element, compiler, more)
    return f"{column} IN (SELECT value FROM json_each({texts}))"  # noqa: S608 - names of ours alone.


@compiles(AmongTexts, "postgresql")
def _texts_in_postgresql(element: AmongTexts, compiler: SQLCompiler, **more: Any) -> str:
    column, texts = _compiled_parts(element, compiler, more)
    return f"{column} = ANY (ARRAY(SELECT json_array_elements_text({texts}::json)))"


def number_list(values: Iterable[int]) -> str:
    """Return several numbers as one parameter for `Among`."""
    return ",".join(map(str, values))


def text_list(values: Iterable[str]) -> str:
    """Return several texts as one parameter for `AmongTexts`."""
    return write_json(list(values)).decode()


class Transaction:
    """One open transaction; all that runs in it is kept together or not at all.

    `notes` is for what its units share and need not ask the database for again.
    """

    __slots__ = ("_added", "_cursor", "_dialect", "_moment", "notes")

    def __init__(self, cursor: Cursor, dialect: Dialect, moment: Statement | None = None) -> None:
        self._cursor = cursor
        self._dialect = dialect
        self._moment = moment
        self._added: dict[Statement, list[Mapping[str, Any]]] = {}
        self.notes: dict[str, Any] = {}

    def run(self, statement: Statement, **parameters: Any) -> list[Row]:
        """Run a statement and return its rows; a statement that returns none gives an empty list."""
        if self._added:
            self._write_added(statement.tables)
        compiled = statement.for_dialect(self._dialect)
        values = {**compiled.fixed, **parameters} if compiled.fixed else parameters
        order = compiled.order
        self._cursor.execute(compiled.sql, values if order is None else [values[name] for name in order])
        return self._cursor.fetchall() if self._cursor.description is not None else []

    def add(self, insert: Statement, rows: Iterable[Mapping[str, Any]]) -> None:
        """Insert rows, all those of one statement together, before the commit or before their table is used."""
        self._added.setdefault(insert, []).extend(rows)

    def write_added(self) -> None:
        """Write what was added and is not written yet; whoever commits calls it first."""
        self._write_added(frozenset().union(*(insert.tables for insert in self._added)))

    def _write_added(self, tables: frozenset[str]) -> None:
        for insert in [one for one in self._added if not one.tables.isdisjoint(tables)]:
            self._execute_many(insert, self._added.pop(insert))

    def run_many(self, statement: Statement, rows: Sequence[Mapping[str, Any]]) -> None:
        """Run a statement that returns nothing once for each of the rows."""
        if self._added:
            self._write_added(statement.tables)
        self._execute_many(statement, rows)

    def _execute_many(self, statement: Statement, rows: Sequence[Mapping[str, Any]]) -> None:
        if not rows:
            return
        compiled = statement.for_dialect(self._dialect)
        fixed, order = compiled.fixed, compiled.order
        values = [{**fixed, **row} for row in rows] if fixed else rows
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
