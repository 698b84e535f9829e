"""How each unit runs, as the rules saw it last."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Bring the tables to this revision."""
    op.create_table(
        "unit_looks",
        sa.Column("unit_row", sa.Integer(), nullable=False),
        sa.Column("heard_ms", sa.BigInteger(), nullable=False),
        sa.Column("looked_ms", sa.BigInteger(), nullable=False),
        sa.Column("look", sa.JSON(none_as_null=True), nullable=True),
        sa.ForeignKeyConstraint(["unit_row"], ["units.row"], name="fk_unit_looks_unit_row_units"),
        sa.PrimaryKeyConstraint("unit_row", name="pk_unit_looks"),
    )


def downgrade() -> None:
    """Bring the tables back to the revision before."""
    op.drop_table("unit_looks")
