"""The condition of parts by day, and what cleanings did to it."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def _unit(table: str) -> tuple[sa.Column[int], sa.ForeignKeyConstraint]:
    return (
        sa.Column("unit_row", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["unit_row"], ["units.row"], name=f"fk_{table}_unit_row_units"),
    )


def upgrade() -> None:
    """Bring the tables to this revision."""
    op.create_table(
        "conditions",
        *_unit("conditions"),
        sa.Column("part", sa.Text(), nullable=False),
        sa.Column("time_ms", sa.BigInteger(), nullable=False),
        sa.Column("condition_pct", sa.Double(), nullable=True),
        sa.Column("uncertainty_pct", sa.Double(), nullable=True),
        sa.Column("raw_pct", sa.Double(), nullable=True),
        sa.Column("basis", sa.Text(), nullable=False),
        sa.Column("count", sa.Integer(), nullable=False),
        sa.Column("since_ms", sa.BigInteger(), nullable=False),
        sa.Column("baseline_ms", sa.BigInteger(), nullable=False),
        sa.Column("said", sa.Text(), nullable=False),
        sa.Column("readings", sa.JSON(none_as_null=True), nullable=True),
        sa.PrimaryKeyConstraint("unit_row", "part", name="pk_conditions"),
    )
    op.create_table(
        "condition_days",
        *_unit("condition_days"),
        sa.Column("part", sa.Text(), nullable=False),
        sa.Column("time_ms", sa.BigInteger(), nullable=False),
        sa.Column("raw_pct", sa.Double(), nullable=False),
        sa.Column("uncertainty_pct", sa.Double(), nullable=False),
        sa.Column("basis", sa.Text(), nullable=False),
        sa.Column("count", sa.Integer(), nullable=False),
        sa.Column("baseline_ms", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("unit_row", "part", "time_ms", name="pk_condition_days"),
    )
    op.create_table(
        "cleanings",
        *_unit("cleanings"),
        sa.Column("part", sa.Text(), nullable=False),
        sa.Column("cleaned_ms", sa.BigInteger(), nullable=False),
        sa.Column("work_from_ms", sa.BigInteger(), nullable=False),
        sa.Column("ticket_id", sa.Integer(), nullable=True),
        sa.Column("by", sa.Text(), nullable=False),
        sa.Column("verdict", sa.Text(), nullable=False),
        sa.Column("settled_ms", sa.BigInteger(), nullable=True),
        sa.Column("looked_ms", sa.BigInteger(), nullable=True),
        sa.Column("confidence_pct", sa.Double(), nullable=True),
        sa.Column("effect_pct", sa.Double(), nullable=True),
        sa.Column("low_pct", sa.Double(), nullable=True),
        sa.Column("high_pct", sa.Double(), nullable=True),
        sa.Column("quantity", sa.Text(), nullable=False),
        sa.Column("measure", sa.Text(), nullable=False),
        sa.Column("before", sa.Double(), nullable=True),
        sa.Column("after", sa.Double(), nullable=True),
        sa.Column("count_before", sa.Integer(), nullable=False),
        sa.Column("count_after", sa.Integer(), nullable=False),
        sa.Column("said", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["ticket_id"], ["tickets.id"], name="fk_cleanings_ticket_id_tickets"
        ),
        sa.PrimaryKeyConstraint("unit_row", "part", "cleaned_ms", name="pk_cleanings"),
    )
    op.create_index("ix_cleanings_verdict", "cleanings", ["verdict"])
    op.create_index("ix_cleanings_cleaned_ms", "cleanings", ["cleaned_ms"])


def downgrade() -> None:
    """Bring the tables back to the revision before."""
    op.drop_table("cleanings")
    op.drop_table("condition_days")
    op.drop_table("conditions")
