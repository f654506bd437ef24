"""Which plan a run belongs to, and which run of it that is; of runs that were entered before, their logs alone tell."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the plans, and the columns that name them."""
    op.create_table(
        "plans",
        sa.Column("sha256", sa.String(64), primary_key=True),
        sa.Column("text", sa.Text, nullable=False),
    )
    op.add_column("runs", sa.Column("plan_sha256", sa.String(64)))
    op.add_column("runs", sa.Column("run_of_plan", sa.Integer))
    op.create_index("ix_runs_plan_sha256", "runs", ["plan_sha256"])


def downgrade() -> None:
    """Nothing recorded is ever dropped."""
    raise NotImplementedError("the history is not taken back to an older ventproof: import the logs there")
