"""When a run was forgotten: it counts, and has no findings any more; none was before."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the column."""
    op.add_column("runs", sa.Column("forgotten", sa.DateTime(timezone=True)))


def downgrade() -> None:
    """Nothing recorded is ever dropped."""
    raise NotImplementedError("the history is not taken back to an older ventproof: import the logs there")
