"""The migrations build exactly the tables of the schema, and the store works with the newest of them."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import create_engine

from service.storage import migrate as migrate_module
from service.storage.migrate import migrate
from service.storage.schema import metadata
from service.storage.store import NEWEST_REVISION, Store


def test_the_migrated_tables_are_those_of_the_schema(tmp_path: Path) -> None:
    file = tmp_path / "store.sqlite"
    migrate(file)
    engine = create_engine(f"sqlite:///{file}")
    with engine.connect() as connection:
        context = MigrationContext.configure(
            connection, opts={"compare_type": True, "compare_server_default": True}
        )
        assert compare_metadata(context, metadata) == []
    engine.dispose()


def test_the_store_works_with_the_newest_revision() -> None:
    configuration = Config()
    folder = Path(migrate_module.__file__).parent / "migrations"
    configuration.set_main_option("script_location", str(folder))
    assert ScriptDirectory.from_config(configuration).get_heads() == [NEWEST_REVISION]


def test_an_open_store_is_at_the_newest_revision_and_opening_it_again_changes_nothing(tmp_path: Path) -> None:
    file = tmp_path / "store.sqlite"

    def described() -> list[tuple[str]]:
        with closing(sqlite3.connect(file)) as connection:
            assert connection.execute("SELECT version_num FROM alembic_version").fetchall() == [(NEWEST_REVISION,)]
            return connection.execute("SELECT sql FROM sqlite_master ORDER BY name").fetchall()

    descriptions = []
    for _ in range(2):
        store = Store(file)
        store.open()
        store.close()
        descriptions.append(described())
    assert descriptions[0] == descriptions[1]
