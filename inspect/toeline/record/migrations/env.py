"""Run by Alembic: works on the connection, and in the transaction, that ``migrate`` hands over."""

from alembic import context

context.configure(connection=context.config.attributes["connection"], transactional_ddl=True)
context.run_migrations()
