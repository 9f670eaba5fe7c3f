"""Alembic's environment: the connection is handed over, its transaction spans all revisions."""

from alembic import context

from monitor.store.schema import METADATA

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=METADATA,
    render_as_batch=True,  # SQLite changes a table by copying it
    compare_type=True,
)
with context.begin_transaction():
    context.run_migrations()
