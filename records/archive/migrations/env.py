"""Runs revisions on the connection that the index gives; alembic wants this file."""

from alembic import context

from records.archive.tables import METADATA

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=METADATA,
    render_as_batch=True,
)
context.run_migrations()
