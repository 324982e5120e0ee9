"""Alembic's way in: the connection is the store's own, so that nothing is configured twice."""

from alembic import context

from api.tables import Table

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=Table.metadata,
    render_as_batch=True,  # SQLite alters a table by copying it
    transactional_ddl=True,
)
with context.begin_transaction():
    context.run_migrations()
