"""What alembic runs: our connection, one transaction around everything."""

from __future__ import annotations

from alembic import context

from app.records.models import Base

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=Base.metadata,
    render_as_batch=True,
)
# No begin_transaction: the caller's transaction holds all of it, tables and version.
context.run_migrations()
