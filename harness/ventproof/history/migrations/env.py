"""Runs the migrations in the transaction that the caller opened; Alembic loads this file."""

from __future__ import annotations

from alembic import context
from sqlalchemy import Connection


def main() -> None:
    """Migrate over the connection that the caller passed."""
    connection: Connection = context.config.attributes["connection"]
    context.configure(connection=connection, transactional_ddl=True, render_as_batch=True)
    context.run_migrations()


main()
