"""Whether a finding shows nothing of its stimulus; of runs that were entered before, their logs alone tell."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the column."""
    op.add_column("findings", sa.Column("hollow", sa.Boolean, nullable=False, server_default=sa.false()))


def downgrade() -> None:
    """Nothing recorded is ever dropped."""
    raise NotImplementedError("the history is not taken back to an older ventproof: import the logs there")
