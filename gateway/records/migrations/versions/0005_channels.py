"""The outbox holds texts and webhook calls too, and knows when each recipient was served."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0003"
branch_labels = None
depends_on = None

_RECIPIENTS = "outbox_recipients"


def upgrade() -> None:
    """Bring the tables to this revision."""
    with op.batch_alter_table("outbox") as outbox:
        outbox.add_column(sa.Column("channel", sa.Text(), nullable=False, server_default="mail"))
        outbox.drop_constraint("uq_outbox_ticket_id_event_seq", type_="unique")
        outbox.create_index("ix_outbox_ticket_id_event_seq", ["ticket_id", "event_seq"])
    with op.batch_alter_table(_RECIPIENTS) as recipients:
        recipients.add_column(sa.Column("settled_ms", sa.BigInteger(), nullable=True))
        recipients.add_column(sa.Column("listed_in", sa.Integer(), nullable=True))
        recipients.create_index("ix_outbox_recipients_settled_ms", ["settled_ms"])
        recipients.create_index("ix_outbox_recipients_state_email", ["state", "email"])


def downgrade() -> None:
    """Bring the tables back to the revision before, which knows mails only."""
    gone = "(SELECT id FROM outbox WHERE channel != 'mail')"
    for table in ("outbox_attempts", _RECIPIENTS):
        op.execute(f"DELETE FROM {table} WHERE outbox_id IN {gone}")  # noqa: S608 - our own names
    op.execute("DELETE FROM outbox WHERE channel != 'mail'")
    with op.batch_alter_table(_RECIPIENTS) as recipients:
        recipients.drop_index("ix_outbox_recipients_state_email")
        recipients.drop_index("ix_outbox_recipients_settled_ms")
        recipients.drop_column("listed_in")
        recipients.drop_column("settled_ms")
    with op.batch_alter_table("outbox") as outbox:
        outbox.drop_index("ix_outbox_ticket_id_event_seq")
        outbox.create_unique_constraint("uq_outbox_ticket_id_event_seq", ["ticket_id", "event_seq"])
        outbox.drop_column("channel")
