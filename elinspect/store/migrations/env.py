from alembic import context

from elinspect.store.schema import metadata

# The caller opens the transaction, alone, and hands the connection over: nothing else may write meanwhile.
context.configure(
    connection=context.config.attributes["connection"], target_metadata=metadata, transaction_per_migration=False
)
context.run_migrations()
