"""The outbox holds texts and webhook calls too, and knows when each recipient was served.

Several messages of one event are then possible, so a constraint goes. SQLite takes one away by
making the table anew, which it refuses while other tables refer to its rows: these are laid aside
meanwhile.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None

_ATTEMPTS = "outbox_attempts"
_RECIPIENTS = "outbox_recipients"
_EVENT = ["ticket_id", "event_seq"]


def upgrade() -> None:
    """Bring the tables to this revision."""
    with _referring_rows_aside(), op.batch_alter_table("outbox") as outbox:
        outbox.add_column(sa.Column("channel", sa.Text(), nullable=False, server_default="mail"))
        outbox.drop_constraint("uq_outbox_ticket_id_event_seq", type_="unique")
        outbox.create_index("ix_outbox_ticket_id_event_seq", _EVENT)
    with op.batch_alter_table(_RECIPIENTS) as recipients:
        recipients.add_column(sa.Column("settled_ms", sa.BigInteger(), nullable=True))
        recipients.add_column(sa.Column("listed_in", sa.Integer(), nullable=True))
        recipients.create_index("ix_outbox_recipients_settled_ms", ["settled_ms"])
        recipients.create_index("ix_outbox_recipients_state_email", ["state", "email"])


def downgrade() -> None:
    """Bring the tables back to the revision before, which knows mails only."""
    with op.batch_alter_table(_RECIPIENTS) as recipients:
        recipients.drop_index("ix_outbox_recipients_state_email")
        recipients.drop_index("ix_outbox_recipients_settled_ms")
        recipients.drop_column("listed_in")
        recipients.drop_column("settled_ms")
    for table, key in ((_ATTEMPTS, "outbox_id"), (_RECIPIENTS, "outbox_id"), ("outbox", "id")):
        others = "SELECT id FROM outbox WHERE channel != 'mail'"
        op.execute(f"DELETE FROM {table} WHERE {key} IN ({others})")  # noqa: S608 - our own names
    with _referring_rows_aside(), op.batch_alter_table("outbox") as outbox:
        outbox.drop_index("ix_outbox_ticket_id_event_seq")
        outbox.create_unique_constraint("uq_outbox_ticket_id_event_seq", _EVENT)
        outbox.drop_column("channel")


@contextmanager
def _referring_rows_aside() -> Iterator[None]:
    """Take the outbox's attempts and recipients away, as they were before, and put them back."""
    aside = {name: f"aside_{name}" for name in (_ATTEMPTS, _RECIPIENTS)}
    for name, copy in aside.items():
        op.execute(f"CREATE TABLE {copy} AS SELECT * FROM {name}")  # noqa: S608 - our own names
        op.drop_table(name)
    yield
    op.create_table(
        _ATTEMPTS,
        *_outbox_id(_ATTEMPTS),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("started_ms", sa.BigInteger(), nullable=False),
        sa.Column("ended_ms", sa.BigInteger(), nullable=True),
        sa.Column("outcome", sa.Text(), nullable=False),
        sa.Column("reply", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("outbox_id", "number", name=op.f(f"pk_{_ATTEMPTS}")),
    )
    op.create_table(
        _RECIPIENTS,
        *_outbox_id(_RECIPIENTS),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("role", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("email", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("reply", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("outbox_id", "position", name=op.f(f"pk_{_RECIPIENTS}")),
    )
    for name, copy in aside.items():
        op.execute(f"INSERT INTO {name} SELECT * FROM {copy}")  # noqa: S608 - our own names
        op.drop_table(copy)


def _outbox_id(table: str) -> tuple[Any, ...]:
    return (
        sa.Column("outbox_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["outbox_id"], ["outbox.id"], name=op.f(f"fk_{table}_outbox_id_outbox")
        ),
    )
