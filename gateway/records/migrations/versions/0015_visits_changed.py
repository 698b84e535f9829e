"""When visits last changed, asked every two seconds while anybody looks."""

from __future__ import annotations

from alembic import op

revision = "0015"
down_revision = "0014"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Bring the tables to this revision."""
    op.create_index("ix_visits_changed_ms", "visits", ["changed_ms"])


def downgrade() -> None:
    """Bring the tables back to the revision before."""
    op.drop_index("ix_visits_changed_ms", "visits")
