"""Visits, the wishes of planners, and the last plan."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Bring the tables to this revision."""
    op.create_table(
        "visits",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("number", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("crew", sa.Text(), nullable=False),
        sa.Column("day", sa.Text(), nullable=False),
        sa.Column("begins_ms", sa.BigInteger(), nullable=False),
        sa.Column("ends_ms", sa.BigInteger(), nullable=False),
        sa.Column("sequence", sa.Integer(), nullable=False),
        sa.Column("message_id", sa.Text(), nullable=False),
        sa.Column("course", sa.JSON(none_as_null=True), nullable=False),
        sa.Column("changed_ms", sa.BigInteger(), nullable=False),
        sa.Column("changed_by", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_visits"),
        sa.UniqueConstraint("number", name="uq_visits_number"),
    )
    op.create_index("ix_visits_state_day", "visits", ["state", "day"])
    op.create_table(
        "visit_wishes",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("needs", sa.JSON(none_as_null=True), nullable=False),
        sa.Column("day", sa.Text(), nullable=False),
        sa.Column("until_day", sa.Text(), nullable=False),
        sa.Column("crew", sa.Text(), nullable=False),
        sa.Column("by", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("made_ms", sa.BigInteger(), nullable=False),
        sa.Column("ended_ms", sa.BigInteger(), nullable=True),
        sa.Column("ended_by", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_visit_wishes"),
    )
    op.create_table(
        "visit_plans",
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("made_ms", sa.BigInteger(), nullable=False),
        sa.Column("outcome", sa.JSON(none_as_null=True), nullable=False),
        sa.PrimaryKeyConstraint("name", name="pk_visit_plans"),
    )


def downgrade() -> None:
    """Bring the tables back to the revision before, which plans no visits."""
    op.drop_table("visit_plans")
    op.drop_table("visit_wishes")
    op.drop_index("ix_visits_state_day", "visits")
    op.drop_table("visits")
