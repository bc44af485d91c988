"""Alembic migrations of the job record, run by `database.upgrade`."""
