"""Entry point of the migration tool: runs on the connection that the store hands over."""

from alembic import context

from panelvision.cases.schema import metadata

connection = context.config.attributes["connection"]
context.configure(
    connection=connection,
    target_metadata=metadata,
    # SQLite cannot alter a table in place; the tool copies it instead.
    render_as_batch=connection.dialect.name == "sqlite",
)
with context.begin_transaction():
    context.run_migrations()
