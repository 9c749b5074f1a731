"""Runs the steps on the connection that the store hands over, inside its transaction."""

from alembic import context

from pooleye.burnlog import records

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=records.Vessel.metadata,
    # SQLite can roll back changes of tables; without this, a kill could leave half a step.
    transactional_ddl=True,
)
context.run_migrations()
