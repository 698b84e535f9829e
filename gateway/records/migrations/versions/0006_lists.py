"""Mails that list several tickets, and when each team's lists were last made."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Bring the tables to this revision."""
    op.create_table(
        "outbox_lists",
        sa.Column("outbox_id", sa.Integer(), nullable=False),
        sa.Column("listing", sa.JSON(none_as_null=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["outbox_id"], ["outbox.id"], name="fk_outbox_lists_outbox_id_outbox"
        ),
        sa.PrimaryKeyConstraint("outbox_id", name="pk_outbox_lists"),
    )
    op.create_table(
        "team_lists",
        sa.Column("team", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("made_ms", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("team", "kind", name="pk_team_lists"),
    )


def downgrade() -> None:
    """Bring the tables back to the revision before; what waited for a list goes out by itself."""
    op.drop_table("team_lists")
    op.drop_table("outbox_lists")
    for table, key in (
        ("outbox_attempts", "outbox_id"), ("outbox_recipients", "outbox_id"), ("outbox", "id"),
    ):  # fmt: skip
        lists = "SELECT id FROM outbox WHERE kind IN ('digest', 'hand-over', 'outage')"
        op.execute(f"DELETE FROM {table} WHERE {key} IN ({lists})")  # noqa: S608 - our own names
    op.execute("UPDATE outbox SET state = 'pending' WHERE state = 'gathered'")
    op.execute("UPDATE outbox SET state = 'accepted' WHERE state = 'listed'")
