"""Run the migrations on the connection that the archive hands over; one transaction, all or nothing."""

from alembic import context

from spectra.archive.schema import METADATA

connection = context.config.attributes["connection"]
context.configure(
    connection=connection,
    target_metadata=METADATA,
    transactional_ddl=True,
    render_as_batch=connection.dialect.name == "sqlite",
)
with context.begin_transaction():
    context.run_migrations()
