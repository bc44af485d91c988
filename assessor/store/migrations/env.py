"""Runs migrations on the connection that `database.upgrade` hands over; there is no alembic.ini."""

from __future__ import annotations

from alembic import context

from assessor.store.models import Base

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=Base.metadata,
    # SQLite can roll back DDL too, as the connection begins its transactions itself: an upgrade is all or nothing.
    transactional_ddl=True,
    transaction_per_migration=False,
)
with context.begin_transaction():
    context.run_migrations()
