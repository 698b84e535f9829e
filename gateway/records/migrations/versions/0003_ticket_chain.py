"""Tickets know how far the chain of those who are told has come."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Bring the tables to this revision."""
    with op.batch_alter_table("tickets") as tickets:
        tickets.add_column(sa.Column("chain_from_ms", sa.BigInteger(), nullable=True))
        tickets.add_column(
            sa.Column("chain_step", sa.Integer(), nullable=False, server_default="0")
        )


def downgrade() -> None:
    """Bring the tables back to the revision before."""
    with op.batch_alter_table("tickets") as tickets:
        tickets.drop_column("chain_step")
        tickets.drop_column("chain_from_ms")
