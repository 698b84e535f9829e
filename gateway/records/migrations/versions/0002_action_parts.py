"""Actions name the parts that were cleaned."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Bring the tables to this revision."""
    with op.batch_alter_table("actions") as actions:
        actions.add_column(sa.Column("parts", sa.Text(), nullable=False, server_default=""))


def downgrade() -> None:
    """Bring the tables back to the revision before."""
    with op.batch_alter_table("actions") as actions:
        actions.drop_column("parts")
