"""Runs the migrations on the connection that the records opened; there is no offline mode."""

from alembic import context

from gateway.records.models import Base

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=Base.metadata,
    transactional_ddl=True,  # SQLite too: the records begin the transaction themselves
    render_as_batch=True,  # SQLite cannot alter a column in place
)
with context.begin_transaction():
    context.run_migrations()
