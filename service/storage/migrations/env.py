"""Alembic's environment: the connection is handed in by `service.storage.migrate`."""

from alembic import context

from service.storage.schema import metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    render_as_batch=True,
)
with context.begin_transaction():
    context.run_migrations()
