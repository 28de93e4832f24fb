"""The migrations build exactly the tables of the schema, and the store works with the newest of them."""

from __future__ import annotations

from pathlib import Path

from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import create_engine

from service.storage import migrate as migrate_module
from service.storage.database import NEWEST_REVISION
from service.storage.migrate import migrate
from service.storage.schema import metadata
from service.storage.store import Store
from tests.support.stores import change, rows, store_in


def _url(location: Path | str) -> str:
    if isinstance(location, Path):
        return f"sqlite:///{location}"
    return "postgresql+psycopg://" + location.partition("://")[2]


def test_the_migrated_tables_are_those_of_the_schema(tmp_path: Path) -> None:
    url = _url(store_in(tmp_path))
    migrate(url)
    engine = create_engine(url)
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
    location = store_in(tmp_path)
    tables = (
        "SELECT sql FROM sqlite_master ORDER BY name"
        if isinstance(location, Path)
        else "SELECT table_name, column_name, data_type FROM information_schema.columns ORDER BY 1, 2"
    )
    descriptions = []
    for _ in range(2):
        store = Store(location)
        store.open()
        store.close()
        assert rows(location, "SELECT version_num FROM alembic_version") == [(NEWEST_REVISION,)]
        descriptions.append(rows(location, tables))
    assert descriptions[0] == descriptions[1]


def test_what_waited_before_there_were_lanes_is_found_by_the_worker(tmp_path: Path) -> None:
    location = store_in(tmp_path)
    url = _url(location)
    migrate(url, "0002")
    for number, lane, state in [(1, "case:c-1", "delivered"), (2, "case:c-1", "waiting"), (3, "case:c-2", "held")]:
        change(
            location,
            "INSERT INTO deliveries (delivery_id, lane, record, state, attempts, next_attempt_at, alone, entries,"
            " body, created_at) VALUES (?, ?, 'r', ?, 0, 't', 0, 1, ?, 't')",
            (number, lane, state, b"[]"),
        )
    migrate(url)
    assert rows(location, "SELECT lane, waiting, first_id FROM lanes") == [("case:c-1", 1, 2)]


def test_what_was_settled_without_being_sent_counts_as_left_out_and_no_body_is_lost(tmp_path: Path) -> None:
    location = store_in(tmp_path)
    url = _url(location)
    migrate(url, "0003")
    change(location, "INSERT INTO batches (batch_id, strategy, body, created_at) VALUES (7, 's', ?, 't')", (b"{}",))
    for number, batch, state in [(1, 7, "delivered"), (2, None, "delivered"), (3, None, "waiting")]:
        change(
            location,
            "INSERT INTO deliveries (delivery_id, lane, record, state, attempts, next_attempt_at, alone, entries,"
            " body, created_at, batch_id) VALUES (?, 'case:c-1', 'r', ?, 0, 't', 0, 1, ?, 't', ?)",
            (number, state, b"body %d" % number, batch),
        )
    migrate(url)
    kept = rows(location, "SELECT delivery_id, state, size FROM deliveries ORDER BY delivery_id")
    assert kept == [(1, "delivered", 6), (2, "left-out", 6), (3, "waiting", 6)]
    bodies = rows(location, "SELECT delivery_id, body FROM delivery_bodies ORDER BY delivery_id")
    assert [(number, bytes(body)) for number, body in bodies] == [(1, b"body 1"), (2, b"body 2"), (3, b"body 3")]
