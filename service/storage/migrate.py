"""Brings a store to the newest schema by Alembic's migrations; run by `Store.open` where it is needed."""

from __future__ import annotations

from pathlib import Path

from alembic import command
from alembic.config import Config
from sqlalchemy import create_engine
from sqlalchemy.pool import NullPool


def migrate(url: str, revision: str = "head") -> None:
    """Apply the migrations up to `revision` that the store at an SQLAlchemy URL lacks."""
    configuration = Config()
    configuration.set_main_option("script_location", str(Path(__file__).parent / "migrations"))
    engine = create_engine(url, poolclass=NullPool)
    with engine.begin() as connection:
        configuration.attributes["connection"] = connection
        command.upgrade(configuration, revision)
    engine.dispose()
