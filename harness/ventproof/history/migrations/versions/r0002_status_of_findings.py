"""How each response ended, and why one was not run: until here only the words of its reason told of that."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the columns, and fill them from what older versions wrote."""
    op.add_column("findings", sa.Column("status", sa.Text, nullable=False, server_default=""))
    op.add_column("findings", sa.Column("not_run", sa.Text))
    findings = sa.table("findings", *map(sa.column, ("verdict", "why", "status", "not_run")))
    op.execute(findings.update().values(status=findings.c.verdict))
    left = findings.update().where(findings.c.verdict == "inconclusive")
    op.execute(
        left.where(findings.c.why.startswith("not run")).values(status="not run", not_run="earlier_step")
    )
    op.execute(
        left.where(findings.c.why == "its stimulus was never applied").values(
            status="not run", not_run="never_applied"
        )
    )


def downgrade() -> None:
    """Nothing recorded is ever dropped."""
    raise NotImplementedError("the history is not taken back to an older ventproof: import the logs there")
