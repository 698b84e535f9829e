"""Mails that are about no ticket.

SQLite lets a column be empty by making the table anew, which it refuses while other tables refer to
its rows: these are laid aside meanwhile.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None

_ATTEMPTS = "outbox_attempts"
_RECIPIENTS = "outbox_recipients"
_LISTS = "outbox_lists"


def upgrade() -> None:
    """Bring the tables to this revision."""
    with _referring_rows_aside(), op.batch_alter_table("outbox") as outbox:
        outbox.alter_column("ticket_id", existing_type=sa.Integer(), nullable=True)
    op.create_table(
        "outbox_letters",
        *_outbox_id("outbox_letters"),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("html", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("outbox_id", name=op.f("pk_outbox_letters")),
    )
    op.create_table(
        "outbox_letter_files",
        *_outbox_id("outbox_letter_files"),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("media_type", sa.Text(), nullable=False),
        sa.Column("cid", sa.Text(), nullable=False),
        sa.Column("content", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("outbox_id", "position", name=op.f("pk_outbox_letter_files")),
    )


def downgrade() -> None:
    """Bring the tables back to the revision before, in which every mail has a ticket."""
    op.drop_table("outbox_letter_files")
    op.drop_table("outbox_letters")
    for table, key in ((_ATTEMPTS, "outbox_id"), (_RECIPIENTS, "outbox_id"), ("outbox", "id")):
        letters = "SELECT id FROM outbox WHERE ticket_id IS NULL OR channel = 'letter'"
        op.execute(f"DELETE FROM {table} WHERE {key} IN ({letters})")  # noqa: S608 - our own names
    with _referring_rows_aside(), op.batch_alter_table("outbox") as outbox:
        outbox.alter_column("ticket_id", existing_type=sa.Integer(), nullable=False)


@contextmanager
def _referring_rows_aside() -> Iterator[None]:
    """Take away what refers to the outbox, and put it back."""
    aside = {name: f"aside_{name}" for name in (_ATTEMPTS, _RECIPIENTS, _LISTS)}
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
        sa.Column("settled_ms", sa.BigInteger(), nullable=True),
        sa.Column("listed_in", sa.Integer(), nullable=True),
        sa.PrimaryKeyConstraint("outbox_id", "position", name=op.f(f"pk_{_RECIPIENTS}")),
    )
    op.create_table(
        _LISTS,
        *_outbox_id(_LISTS),
        sa.Column("listing", sa.JSON(none_as_null=True), nullable=False),
        sa.PrimaryKeyConstraint("outbox_id", name=op.f(f"pk_{_LISTS}")),
    )
    for name, copy in aside.items():
        op.execute(f"INSERT INTO {name} SELECT * FROM {copy}")  # noqa: S608 - our own names
        op.drop_table(copy)
    op.create_index("ix_outbox_recipients_settled_ms", _RECIPIENTS, ["settled_ms"])
    op.create_index("ix_outbox_recipients_state_email", _RECIPIENTS, ["state", "email"])


def _outbox_id(table: str) -> tuple[Any, ...]:
    return (
        sa.Column("outbox_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["outbox_id"], ["outbox.id"], name=op.f(f"fk_{table}_outbox_id_outbox")
        ),
    )
