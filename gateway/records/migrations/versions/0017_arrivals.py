"""Late frames by day and unit, since when a unit is known, tokens in the trail, tickets by time."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0017"
down_revision = "0016"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Bring the tables to this revision; of units that are there it stays unknown."""
    op.create_table(
        "late_frames",
        sa.Column("day", sa.Text(), nullable=False),
        sa.Column("unit_row", sa.Integer(), nullable=False),
        sa.Column("count", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["unit_row"], ["units.row"], name="fk_late_frames_unit_row_units"),
        sa.PrimaryKeyConstraint("day", "unit_row", name="pk_late_frames"),
    )
    op.add_column("audit_trail", sa.Column("token", sa.Text(), nullable=False, server_default=""))
    op.create_index("ix_tickets_opened_ms", "tickets", ["opened_ms"])
    op.add_column("units", sa.Column("known_ms", sa.BigInteger(), nullable=True))


def downgrade() -> None:
    """Bring the tables back to the revision before; what was counted is lost."""
    op.drop_column("units", "known_ms")
    op.drop_index("ix_tickets_opened_ms", "tickets")
    op.drop_column("audit_trail", "token")
    op.drop_table("late_frames")
