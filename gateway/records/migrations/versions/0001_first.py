"""The first tables."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Bring the tables to this revision."""
    op.create_table(
        "installation",
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("value", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("name", name=op.f("pk_installation")),
    )
    op.create_table(
        "quarantine",
        sa.Column("day", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("unit", sa.Text(), nullable=False),
        sa.Column("topic", sa.Text(), nullable=False),
        sa.Column("count", sa.BigInteger(), nullable=False),
        sa.Column("first_ms", sa.BigInteger(), nullable=False),
        sa.Column("last_ms", sa.BigInteger(), nullable=False),
        sa.Column("detail", sa.Text(), nullable=False),
        sa.Column("excerpt", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint(
            "day", "reason", "site", "unit", "topic", name=op.f("pk_quarantine")
        ),
    )
    op.create_table(
        "readers",
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("committed_offset", sa.BigInteger(), nullable=False),
        sa.Column("committed_ms", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("name", name=op.f("pk_readers")),
    )
    op.create_table(
        "units",
        sa.Column("row", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("unit", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("row", name=op.f("pk_units")),
        sa.UniqueConstraint("site", "unit", name=op.f("uq_units_site_unit")),
    )
    op.create_table(
        "actions",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("unit_row", sa.Integer(), nullable=False),
        sa.Column("fault", sa.Text(), nullable=False),
        sa.Column("requested_ms", sa.BigInteger(), nullable=False),
        sa.Column("until_ms", sa.BigInteger(), nullable=False),
        sa.Column("by", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("journal_offset", sa.BigInteger(), nullable=True),
        sa.Column("applied_ms", sa.BigInteger(), nullable=True),
        sa.ForeignKeyConstraint(
            ["unit_row"], ["units.row"], name=op.f("fk_actions_unit_row_units")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_actions")),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_actions_state"), "actions", ["state"], unique=False)
    op.create_table(
        "alarm_events",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("unit_row", sa.Integer(), nullable=False),
        sa.Column("fault", sa.Text(), nullable=False),
        sa.Column("time_ms", sa.BigInteger(), nullable=False),
        sa.Column("recorded_ms", sa.BigInteger(), nullable=False),
        sa.Column("journal_offset", sa.BigInteger(), nullable=False),
        sa.Column("change", sa.Text(), nullable=False),
        sa.Column("state", sa.Integer(), nullable=False),
        sa.Column("severity", sa.Integer(), nullable=False),
        sa.Column("onset_ms", sa.BigInteger(), nullable=False),
        sa.Column("evidence", sa.JSON(none_as_null=True), nullable=True),
        sa.Column("by", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["unit_row"], ["units.row"], name=op.f("fk_alarm_events_unit_row_units")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_alarm_events")),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_alarm_events_time_ms"), "alarm_events", ["time_ms"], unique=False)
    op.create_index(
        op.f("ix_alarm_events_unit_row_time_ms"),
        "alarm_events",
        ["unit_row", "time_ms"],
        unique=False,
    )
    op.create_table(
        "alarms",
        sa.Column("unit_row", sa.Integer(), nullable=False),
        sa.Column("fault", sa.Text(), nullable=False),
        sa.Column("state", sa.Integer(), nullable=False),
        sa.Column("severity", sa.Integer(), nullable=False),
        sa.Column("onset_ms", sa.BigInteger(), nullable=False),
        sa.Column("raised_ms", sa.BigInteger(), nullable=True),
        sa.Column("changed_ms", sa.BigInteger(), nullable=False),
        sa.Column("evidence", sa.JSON(none_as_null=True), nullable=True),
        sa.ForeignKeyConstraint(["unit_row"], ["units.row"], name=op.f("fk_alarms_unit_row_units")),
        sa.PrimaryKeyConstraint("unit_row", "fault", name=op.f("pk_alarms")),
    )
    op.create_index(op.f("ix_alarms_state"), "alarms", ["state"], unique=False)
    op.create_table(
        "baseline_history",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("unit_row", sa.Integer(), nullable=False),
        sa.Column("quantity", sa.Text(), nullable=False),
        sa.Column("mode", sa.Text(), nullable=False),
        sa.Column("value", sa.Double(), nullable=True),
        sa.Column("spread", sa.Double(), nullable=True),
        sa.Column("count", sa.Integer(), nullable=False),
        sa.Column("measure", sa.Text(), nullable=False),
        sa.Column("time_ms", sa.BigInteger(), nullable=False),
        sa.Column("recorded_ms", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(
            ["unit_row"], ["units.row"], name=op.f("fk_baseline_history_unit_row_units")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_baseline_history")),
        sqlite_autoincrement=True,
    )
    op.create_index(
        op.f("ix_baseline_history_unit_row_quantity_time_ms"),
        "baseline_history",
        ["unit_row", "quantity", "time_ms"],
        unique=False,
    )
    op.create_table(
        "baselines",
        sa.Column("unit_row", sa.Integer(), nullable=False),
        sa.Column("quantity", sa.Text(), nullable=False),
        sa.Column("mode", sa.Text(), nullable=False),
        sa.Column("value", sa.Double(), nullable=True),
        sa.Column("spread", sa.Double(), nullable=True),
        sa.Column("count", sa.Integer(), nullable=False),
        sa.Column("measure", sa.Text(), nullable=False),
        sa.Column("time_ms", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(
            ["unit_row"], ["units.row"], name=op.f("fk_baselines_unit_row_units")
        ),
        sa.PrimaryKeyConstraint("unit_row", "quantity", "mode", name=op.f("pk_baselines")),
    )
    op.create_table(
        "tickets",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("number", sa.Text(), nullable=False),
        sa.Column("unit_row", sa.Integer(), nullable=False),
        sa.Column("fault", sa.Text(), nullable=False),
        sa.Column("priority", sa.Text(), nullable=False),
        sa.Column("first_priority", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("onset_ms", sa.BigInteger(), nullable=False),
        sa.Column("opened_ms", sa.BigInteger(), nullable=False),
        sa.Column("updated_ms", sa.BigInteger(), nullable=False),
        sa.Column("returned_ms", sa.BigInteger(), nullable=True),
        sa.Column("acknowledged_ms", sa.BigInteger(), nullable=True),
        sa.Column("acknowledged_by", sa.Text(), nullable=False),
        sa.Column("closed_ms", sa.BigInteger(), nullable=True),
        sa.Column("closed_by", sa.Text(), nullable=False),
        sa.Column("finding", sa.Text(), nullable=False),
        sa.Column("last_seq", sa.Integer(), nullable=False),
        sa.Column("told", sa.Text(), nullable=False),
        sa.Column("told_priority", sa.Text(), nullable=False),
        sa.Column("repeat_told_ms", sa.BigInteger(), nullable=True),
        sa.Column("held_outbox_id", sa.Integer(), nullable=True),
        sa.Column("root_message_id", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["unit_row"], ["units.row"], name=op.f("fk_tickets_unit_row_units")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tickets")),
        sa.UniqueConstraint("number", name=op.f("uq_tickets_number")),
    )
    op.create_index(
        op.f("ix_tickets_state_updated_ms"), "tickets", ["state", "updated_ms"], unique=False
    )
    op.create_index(
        op.f("ix_tickets_unit_row_opened_ms"), "tickets", ["unit_row", "opened_ms"], unique=False
    )
    op.create_index(
        "uq_tickets_one_open",
        "tickets",
        ["unit_row", "fault"],
        unique=True,
        sqlite_where=sa.text("state != 'closed'"),
        postgresql_where=sa.text("state != 'closed'"),
    )
    op.create_table(
        "outbox",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("ticket_id", sa.Integer(), nullable=False),
        sa.Column("event_seq", sa.Integer(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("priority", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("message_id", sa.Text(), nullable=False),
        sa.Column("in_reply_to", sa.Text(), nullable=False),
        sa.Column("onset_ms", sa.BigInteger(), nullable=False),
        sa.Column("created_ms", sa.BigInteger(), nullable=False),
        sa.Column("date_ms", sa.BigInteger(), nullable=False),
        sa.Column("next_attempt_ms", sa.BigInteger(), nullable=False),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("done_ms", sa.BigInteger(), nullable=True),
        sa.Column("last_reply", sa.Text(), nullable=False),
        sa.Column("possibly_duplicate", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(
            ["ticket_id"], ["tickets.id"], name=op.f("fk_outbox_ticket_id_tickets")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_outbox")),
        sa.UniqueConstraint("message_id", name=op.f("uq_outbox_message_id")),
        sa.UniqueConstraint("ticket_id", "event_seq", name=op.f("uq_outbox_ticket_id_event_seq")),
    )
    op.create_index(
        op.f("ix_outbox_state_next_attempt_ms"),
        "outbox",
        ["state", "next_attempt_ms"],
        unique=False,
    )
    op.create_table(
        "ticket_events",
        sa.Column("ticket_id", sa.Integer(), nullable=False),
        sa.Column("seq", sa.Integer(), nullable=False),
        sa.Column("time_ms", sa.BigInteger(), nullable=False),
        sa.Column("recorded_ms", sa.BigInteger(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("severity", sa.Integer(), nullable=False),
        sa.Column("evidence", sa.JSON(none_as_null=True), nullable=True),
        sa.Column("by", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["ticket_id"], ["tickets.id"], name=op.f("fk_ticket_events_ticket_id_tickets")
        ),
        sa.PrimaryKeyConstraint("ticket_id", "seq", name=op.f("pk_ticket_events")),
    )
    op.create_table(
        "outbox_attempts",
        sa.Column("outbox_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("started_ms", sa.BigInteger(), nullable=False),
        sa.Column("ended_ms", sa.BigInteger(), nullable=True),
        sa.Column("outcome", sa.Text(), nullable=False),
        sa.Column("reply", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["outbox_id"], ["outbox.id"], name=op.f("fk_outbox_attempts_outbox_id_outbox")
        ),
        sa.PrimaryKeyConstraint("outbox_id", "number", name=op.f("pk_outbox_attempts")),
    )
    op.create_table(
        "outbox_recipients",
        sa.Column("outbox_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("role", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("email", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("reply", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["outbox_id"], ["outbox.id"], name=op.f("fk_outbox_recipients_outbox_id_outbox")
        ),
        sa.PrimaryKeyConstraint("outbox_id", "position", name=op.f("pk_outbox_recipients")),
    )


def downgrade() -> None:
    """Take the tables back to the revision before."""
    op.drop_table("outbox_recipients")
    op.drop_table("outbox_attempts")
    op.drop_table("ticket_events")
    op.drop_index(op.f("ix_outbox_state_next_attempt_ms"), table_name="outbox")
    op.drop_table("outbox")
    op.drop_index(
        "uq_tickets_one_open",
        table_name="tickets",
        sqlite_where=sa.text("state != 'closed'"),
        postgresql_where=sa.text("state != 'closed'"),
    )
    op.drop_index(op.f("ix_tickets_unit_row_opened_ms"), table_name="tickets")
    op.drop_index(op.f("ix_tickets_state_updated_ms"), table_name="tickets")
    op.drop_table("tickets")
    op.drop_table("baselines")
    op.drop_index(
        op.f("ix_baseline_history_unit_row_quantity_time_ms"), table_name="baseline_history"
    )
    op.drop_table("baseline_history")
    op.drop_index(op.f("ix_alarms_state"), table_name="alarms")
    op.drop_table("alarms")
    op.drop_index(op.f("ix_alarm_events_unit_row_time_ms"), table_name="alarm_events")
    op.drop_index(op.f("ix_alarm_events_time_ms"), table_name="alarm_events")
    op.drop_table("alarm_events")
    op.drop_index(op.f("ix_actions_state"), table_name="actions")
    op.drop_table("actions")
    op.drop_table("units")
    op.drop_table("readers")
    op.drop_table("quarantine")
    op.drop_table("installation")
