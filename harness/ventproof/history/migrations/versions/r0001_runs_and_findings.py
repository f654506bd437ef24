"""The first tables: runs and their findings."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Create the tables."""
    op.create_table(
        "runs",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("digest", sa.String(64), nullable=False, unique=True),
        sa.Column("file", sa.Text, nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False, index=True),
        sa.Column("entered", sa.DateTime(timezone=True), nullable=False),
        sa.Column("started", sa.DateTime(timezone=True)),
        sa.Column("clock", sa.Text, nullable=False),
        sa.Column("duration_s", sa.Double, nullable=False),
        sa.Column("unit", sa.Text, nullable=False, index=True),
        sa.Column("firmware", sa.Text, nullable=False, index=True),
        sa.Column("operator", sa.Text, nullable=False),
        sa.Column("profile", sa.Text, nullable=False, index=True),
        sa.Column("profile_sha256", sa.Text, nullable=False),
        sa.Column("bench", sa.Text, nullable=False),
        sa.Column("bench_sha256", sa.Text, nullable=False),
        sa.Column("selfcheck_sha256", sa.Text, nullable=False),
        sa.Column("decision", sa.Text, nullable=False),
        sa.Column("repeat", sa.Integer, nullable=False),
        sa.Column("seed", sa.Text, nullable=False),
        sa.Column("version", sa.Text, nullable=False),
        sa.Column("verdict", sa.Text, nullable=False, index=True),
        sa.Column("reason", sa.Text, nullable=False),
        sa.Column("closed", sa.Boolean, nullable=False),
        sa.Column("lines", sa.Integer, nullable=False),
    )
    numbers = [f"{name}_{end}" for name in ("margin", "slack", "response", "seen") for end in ("low", "high")]
    op.create_table(
        "findings",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("run_id", sa.Integer, sa.ForeignKey("runs.id", ondelete="CASCADE"), nullable=False),
        sa.Column("place", sa.Integer, nullable=False),
        sa.Column("step", sa.Integer),
        sa.Column("step_name", sa.Text, nullable=False),
        sa.Column("number", sa.Integer, nullable=False),
        sa.Column("signal", sa.Text, nullable=False),
        sa.Column("signal_unit", sa.Text, nullable=False),
        sa.Column("kind", sa.Text, nullable=False),
        sa.Column("demand", sa.Text, nullable=False),
        sa.Column("verdict", sa.Text, nullable=False),
        sa.Column("why", sa.Text, nullable=False),
        *(sa.Column(name, sa.Double) for name in numbers),
        sa.Column("stood", sa.Double),
        sa.Column("conformance", sa.Double),
        sa.Column("proves", sa.Text, nullable=False),
        sa.UniqueConstraint("run_id", "place"),
    )


def downgrade() -> None:
    """Nothing recorded is ever dropped."""
    raise NotImplementedError("the history is not taken back to an older ventproof: import the logs there")
