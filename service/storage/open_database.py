"""Tells by its location which database keeps the store."""

from __future__ import annotations

import importlib
from pathlib import Path
from typing import cast

from service.storage.database import Database
from service.storage.sqlite_database import SqliteDatabase


def database_at(location: Path | str) -> Database:
    """Return the database at a path (a SQLite file) or a postgresql:// URL; nothing is opened yet."""
    if isinstance(location, Path):
        return SqliteDatabase(location)
    # The driver is imported by those alone who use it.
    module = importlib.import_module("service.storage.postgresql_database")
    return cast(Database, module.PostgresqlDatabase(location))
