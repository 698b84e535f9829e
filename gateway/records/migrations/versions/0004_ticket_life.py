"""Tickets know who works on them, what was found, and what the data say afterwards."""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

_TIMES = (
    "stay_until_ms",
    "reminded_ms",
    "work_done_ms",
    "hand_back_from_ms",
    "hand_back_ended_ms",
    "normal_to_ms",
    "watch_ended_ms",
    "verified_ms",
)
_TEXTS = ("assignee", "work_done_by")
_JSONS = ("on_site", "hand_back")


def _one_open(words: str) -> None:
    op.drop_index("uq_tickets_one_open", table_name="tickets")
    op.create_index(
        "uq_tickets_one_open",
        "tickets",
        ["unit_row", "fault"],
        unique=True,
        sqlite_where=sa.text(words),
        postgresql_where=sa.text(words),
    )


def upgrade() -> None:
    """Bring the tables to this revision."""
    columns: list[sa.Column[Any]] = [
        sa.Column(name, sa.BigInteger(), nullable=True) for name in _TIMES
    ]
    columns += [sa.Column(n, sa.Text(), nullable=False, server_default="") for n in _TEXTS]
    columns += [sa.Column(n, sa.JSON(), nullable=True) for n in _JSONS]
    columns.append(sa.Column("normal_ms", sa.BigInteger(), nullable=False, server_default="0"))
    for column in columns:
        op.add_column("tickets", column)
    # What was closed before is not judged now.
    op.execute("UPDATE tickets SET watch_ended_ms = updated_ms WHERE state = 'closed'")
    _one_open("state NOT IN ('closed', 'verified')")
    op.create_index(op.f("ix_tickets_watch_ended_ms"), "tickets", ["watch_ended_ms"])
    op.create_table(
        "ticket_findings",
        sa.Column("ticket_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("time_ms", sa.BigInteger(), nullable=False),
        sa.Column("by", sa.Text(), nullable=False),
        sa.Column("part", sa.Text(), nullable=False),
        sa.Column("found", sa.Text(), nullable=False),
        sa.Column("done", sa.Text(), nullable=False),
        sa.Column("parts_used", sa.Text(), nullable=False),
        sa.Column("readings", sa.JSON(), nullable=True),
        sa.ForeignKeyConstraint(
            ["ticket_id"], ["tickets.id"], name=op.f("fk_ticket_findings_ticket_id_tickets")
        ),
        sa.PrimaryKeyConstraint("ticket_id", "position", name=op.f("pk_ticket_findings")),
    )
    op.create_table(
        "ticket_attachments",
        sa.Column("ticket_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("time_ms", sa.BigInteger(), nullable=False),
        sa.Column("by", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("media_type", sa.Text(), nullable=False),
        sa.Column("size_bytes", sa.Integer(), nullable=False),
        sa.Column("sha256", sa.Text(), nullable=False),
        sa.Column("content", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(
            ["ticket_id"], ["tickets.id"], name=op.f("fk_ticket_attachments_ticket_id_tickets")
        ),
        sa.PrimaryKeyConstraint("ticket_id", "position", name=op.f("pk_ticket_attachments")),
    )


def downgrade() -> None:
    """Bring the tables back to the revision before, which has fewer words for a ticket's state."""
    op.drop_table("ticket_attachments")
    op.drop_table("ticket_findings")
    # The earlier index would not allow a verified ticket beside an open one.
    op.execute("UPDATE tickets SET state = 'closed' WHERE state = 'verified'")
    op.execute(
        "UPDATE tickets SET state = 'acknowledged' "
        "WHERE state IN ('assigned', 'on site', 'work done')"
    )
    op.execute("UPDATE tickets SET told = 'nothing' WHERE told = 'disagreed'")
    op.execute(
        "UPDATE ticket_events SET kind = 'note' WHERE kind IN ('assigned', 'on site', "
        "'left the site', 'still out of service', 'work done', 'hand-back checked', 'attached', "
        "'verified by the data', 'not verified')"
    )
    op.execute("UPDATE ticket_events SET kind = 'repeated' WHERE kind = 'reopened'")
    op.execute(
        "UPDATE outbox SET kind = 'reminded' "
        "WHERE kind IN ('reopened', 'still out of service', 'hand-back not proven')"
    )
    _one_open("state != 'closed'")
    op.drop_index(op.f("ix_tickets_watch_ended_ms"), table_name="tickets")
    with op.batch_alter_table("tickets") as tickets:
        for name in ("normal_ms", *_JSONS, *_TEXTS, *_TIMES):
            tickets.drop_column(name)
