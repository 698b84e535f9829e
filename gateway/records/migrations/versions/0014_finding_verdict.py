"""A finding says in one word what it means for what the ticket told."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0014"
down_revision = "0013"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Bring the tables to this revision."""
    with op.batch_alter_table("ticket_findings") as findings:
        findings.add_column(sa.Column("verdict", sa.Text(), nullable=False, server_default=""))


def downgrade() -> None:
    """Bring the tables back to the revision before."""
    with op.batch_alter_table("ticket_findings") as findings:
        findings.drop_column("verdict")
