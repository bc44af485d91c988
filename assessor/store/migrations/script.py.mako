"""${message}."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = ${repr(up_revision)}
down_revision = ${repr(down_revision)}
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add what is new."""
    ${upgrades if upgrades else "pass"}


def downgrade() -> None:
    """There is no way back: the record only grows. Restore a backup instead."""
    raise NotImplementedError
