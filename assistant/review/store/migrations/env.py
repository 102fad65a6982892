"""Runs the migrations on the connection, and in the transaction, of whoever opens the store."""

from alembic import context

from assistant.review.store.schema import metadata

context.configure(connection=context.config.attributes["connection"], target_metadata=metadata, transactional_ddl=True)
context.run_migrations()
