"""A request says for which ticket's visit it was made: what else was asked for outlives that."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0016"
down_revision = "0015"
branch_labels = None
depends_on = None

_WORDS = "on site for ticket "
"""Until now an arrival was told from other requests by its note alone."""


def upgrade() -> None:
    """Bring the tables to this revision."""
    with op.batch_alter_table("actions") as actions:
        actions.add_column(sa.Column("ticket", sa.Text(), nullable=False, server_default=""))
    table = sa.table(
        "actions", sa.column("kind", sa.Text), sa.column("note", sa.Text),
        sa.column("ticket", sa.Text),
    )  # fmt: skip
    op.execute(
        table.update()
        .where(table.c.kind == "out of service", table.c.note.startswith(_WORDS))
        .values(ticket=sa.func.substr(table.c.note, len(_WORDS) + 1))
    )


def downgrade() -> None:
    """Bring the tables back to the revision before."""
    with op.batch_alter_table("actions") as actions:
        actions.drop_column("ticket")
