"""When parts are due, kept for pages and plans."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0013"
down_revision = "0012"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Bring the tables to this revision; the gateway fills the new one."""
    op.create_table(
        "due_dates",
        sa.Column("unit_row", sa.Integer(), nullable=False),
        sa.Column("part", sa.Text(), nullable=False),
        sa.Column("made_ms", sa.BigInteger(), nullable=False),
        sa.Column("figure_ms", sa.BigInteger(), nullable=False),
        sa.Column("cleaned_ms", sa.BigInteger(), nullable=False),
        sa.Column("verdict", sa.Text(), nullable=False),
        sa.Column("early_ms", sa.BigInteger(), nullable=True),
        sa.Column("likely_ms", sa.BigInteger(), nullable=True),
        sa.Column("late_ms", sa.BigInteger(), nullable=True),
        sa.Column("condition_pct", sa.Double(), nullable=True),
        sa.Column("uncertainty_pct", sa.Double(), nullable=True),
        sa.Column("per_day_pct", sa.Double(), nullable=True),
        sa.Column("count", sa.Integer(), nullable=False),
        sa.Column("since_ms", sa.BigInteger(), nullable=True),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["unit_row"], ["units.row"], name="fk_due_dates_unit_row_units"),
        sa.PrimaryKeyConstraint("unit_row", "part", name="pk_due_dates"),
    )
    op.create_index("ix_due_dates_verdict_early_ms", "due_dates", ["verdict", "early_ms"])


def downgrade() -> None:
    """Bring the tables back to the revision before; nothing is lost that cannot be worked out."""
    op.drop_index("ix_due_dates_verdict_early_ms", "due_dates")
    op.drop_table("due_dates")
