"""Water and energy by unit and month, and which monthly reports have gone out."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Bring the tables to this revision."""
    op.create_table(
        "monthly_use",
        sa.Column("unit_row", sa.Integer(), nullable=False),
        sa.Column("month", sa.Text(), nullable=False),
        sa.Column("worked_ms", sa.BigInteger(), nullable=False),
        sa.Column("settled", sa.Boolean(), nullable=False),
        sa.Column("use", sa.JSON(none_as_null=True), nullable=False),
        sa.ForeignKeyConstraint(["unit_row"], ["units.row"], name="fk_monthly_use_unit_row_units"),
        sa.PrimaryKeyConstraint("unit_row", "month", name="pk_monthly_use"),
    )
    op.create_table(
        "report_mails",
        sa.Column("period", sa.Text(), nullable=False),
        sa.Column("scope", sa.Text(), nullable=False),
        sa.Column("email", sa.Text(), nullable=False),
        sa.Column("made_ms", sa.BigInteger(), nullable=False),
        sa.Column("outbox_id", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("period", "scope", "email", name="pk_report_mails"),
    )


def downgrade() -> None:
    """Bring the tables back to the revision before."""
    op.drop_table("report_mails")
    op.drop_table("monthly_use")
