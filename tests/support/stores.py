"""Where the tests keep stores: SQLite files, or databases of the PostgreSQL server that an environment names.

`TEST_STORE_POSTGRESQL` is the URL of a database of that server in which we may create others. Each folder stands
for one store, so whoever asks again for the same folder finds the same store.
"""

from __future__ import annotations

import atexit
import hashlib
import os
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import psycopg

SERVER = os.environ.get("TEST_STORE_POSTGRESQL")
"""The server of the tests, or None where they keep their stores in files."""

_made: set[str] = set()


def store_in(folder: Path, name: str = "store") -> Path | str:
    """Return the location of a store of its own for `folder`; a database is empty at first."""
    if SERVER is None:
        return folder / f"{name}.sqlite"
    database = "resus_" + hashlib.sha256(f"{folder.resolve()}/{name}".encode()).hexdigest()[:24]
    if database not in _made:
        with psycopg.connect(SERVER, autocommit=True) as connection:
            known = connection.execute("SELECT 1 FROM pg_database WHERE datname = %s", [database]).fetchone()
            if known is None:
                connection.execute(f'CREATE DATABASE "{database}"'.encode())
        _made.add(database)
    return urlsplit(SERVER)._replace(path=f"/{database}").geturl()


def rows(location: Path | str, sql: str, values: Sequence[Any] = ()) -> list[tuple[Any, ...]]:
    """Return what stands in a store, read past the service; the places of values are written `?`."""
    if isinstance(location, Path):
        with closing(sqlite3.connect(location)) as connection:
            return connection.execute(sql, values).fetchall()
    with psycopg.connect(location, autocommit=True) as session:
        return session.execute(sql.replace("?", "%s").encode(), values).fetchall()


TABLES = (
    "SELECT name FROM sqlite_master WHERE type = 'table'"
    if SERVER is None
    else "SELECT table_name FROM information_schema.tables WHERE table_schema = 'public'"
)
"""The statement that names the tables of a store."""

ROW = "rowid" if SERVER is None else "ctid"
"""How SQL names the place of a row, whatever its columns hold."""


def named_rows(location: Path | str, table: str) -> list[tuple[Any, dict[str, Any]]]:
    """Return the rows of a table as dictionaries, each with its place."""
    sql = f"SELECT {ROW}, * FROM {table}"  # noqa: S608 - the table is a word of the test's.
    if isinstance(location, Path):
        with closing(sqlite3.connect(location)) as connection:
            found = connection.execute(sql)
            names, values = [column[0] for column in found.description or ()], found.fetchall()
    else:
        with psycopg.connect(location, autocommit=True) as session:
            answered = session.execute(sql.encode())
            names, values = [column.name for column in answered.description or ()], answered.fetchall()
    return [(row[0], dict(zip(names[1:], row[1:], strict=True))) for row in values]


def change(location: Path | str, sql: str, values: Sequence[Any] = ()) -> int:
    """Change a store behind the service's back, and return how many rows were changed."""
    if isinstance(location, Path):
        with closing(sqlite3.connect(location)) as connection:
            count = connection.execute(sql, values).rowcount
            connection.commit()
            return count
    with psycopg.connect(location, autocommit=True) as session:
        return session.execute(sql.replace("?", "%s").encode(), values).rowcount


def copy_of(location: Path | str, folder: Path) -> Path | str:
    """Return the location of a copy of a store that nobody uses."""
    target = store_in(folder, "copy")
    if isinstance(location, Path) and isinstance(target, Path):
        with closing(sqlite3.connect(location)) as source, closing(sqlite3.connect(target)) as destination:
            source.backup(destination)
        return target
    original, copied = (urlsplit(str(url)).path.removeprefix("/") for url in (location, target))
    with psycopg.connect(str(SERVER), autocommit=True) as connection:
        connection.execute(f'DROP DATABASE "{copied}" WITH (FORCE)'.encode())
        connection.execute(f'CREATE DATABASE "{copied}" TEMPLATE "{original}"'.encode())
    return target


@atexit.register
def _drop_databases() -> None:
    """Remove the databases that this process has made, where the server still runs."""
    if SERVER is None or not _made:
        return
    with psycopg.connect(SERVER, autocommit=True) as connection:
        for database in _made:
            connection.execute(f'DROP DATABASE IF EXISTS "{database}" WITH (FORCE)'.encode())
