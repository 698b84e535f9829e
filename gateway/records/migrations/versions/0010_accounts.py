"""Accounts, their sessions and tokens, and the trail of what people did."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None

_KEPT = "the audit trail is only added to"


def upgrade() -> None:
    """Bring the tables to this revision."""
    op.create_table(
        "accounts",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("shown_name", sa.Text(), nullable=False),
        sa.Column("shown_key", sa.Text(), nullable=False),
        sa.Column("password_hash", sa.Text(), nullable=False),
        sa.Column("roles", sa.Text(), nullable=False),
        sa.Column("disabled", sa.Boolean(), nullable=False),
        sa.Column("created_ms", sa.BigInteger(), nullable=False),
        sa.Column("password_ms", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_accounts"),
        sa.UniqueConstraint("name", name="uq_accounts_name"),
        sa.UniqueConstraint("shown_key", name="uq_accounts_shown_key"),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "sessions",
        sa.Column("key_hash", sa.Text(), nullable=False),
        sa.Column("account_id", sa.Integer(), nullable=False),
        sa.Column("begun_ms", sa.BigInteger(), nullable=False),
        sa.Column("seen_ms", sa.BigInteger(), nullable=False),
        sa.Column("address", sa.Text(), nullable=False),
        sa.Column("browser", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["account_id"], ["accounts.id"], name="fk_sessions_account_id_accounts"
        ),
        sa.PrimaryKeyConstraint("key_hash", name="pk_sessions"),
    )
    op.create_index("ix_sessions_account_id", "sessions", ["account_id"])
    op.create_table(
        "access_tokens",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("account_id", sa.Integer(), nullable=False),
        sa.Column("purpose", sa.Text(), nullable=False),
        sa.Column("key_hash", sa.Text(), nullable=False),
        sa.Column("roles", sa.Text(), nullable=False),
        sa.Column("created_ms", sa.BigInteger(), nullable=False),
        sa.Column("expires_ms", sa.BigInteger(), nullable=False),
        sa.Column("used_ms", sa.BigInteger(), nullable=True),
        sa.Column("revoked_ms", sa.BigInteger(), nullable=True),
        sa.ForeignKeyConstraint(
            ["account_id"], ["accounts.id"], name="fk_access_tokens_account_id_accounts"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_access_tokens"),
        sa.UniqueConstraint("key_hash", name="uq_access_tokens_key_hash"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_access_tokens_account_id", "access_tokens", ["account_id"])
    op.create_table(
        "audit_trail",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("time_ms", sa.BigInteger(), nullable=False),
        sa.Column("account", sa.Text(), nullable=False),
        sa.Column("shown_name", sa.Text(), nullable=False),
        sa.Column("how", sa.Text(), nullable=False),
        sa.Column("address", sa.Text(), nullable=False),
        sa.Column("action", sa.Text(), nullable=False),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("before", sa.JSON(none_as_null=True), nullable=True),
        sa.Column("after", sa.JSON(none_as_null=True), nullable=True),
        sa.PrimaryKeyConstraint("id", name="pk_audit_trail"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_audit_trail_time_ms", "audit_trail", ["time_ms"])
    op.create_index("ix_audit_trail_account_time_ms", "audit_trail", ["account", "time_ms"])
    op.create_index("ix_audit_trail_subject_time_ms", "audit_trail", ["subject", "time_ms"])
    if op.get_bind().dialect.name == "sqlite":
        for what in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER audit_trail_no_{what.lower()} BEFORE {what} ON audit_trail "
                f"BEGIN SELECT RAISE(ABORT, '{_KEPT}'); END"
            )
        return
    op.execute(
        "CREATE FUNCTION audit_trail_kept() RETURNS trigger LANGUAGE plpgsql AS "
        f"$$ BEGIN RAISE EXCEPTION '{_KEPT}'; END $$"
    )
    op.execute(
        "CREATE TRIGGER audit_trail_kept BEFORE UPDATE OR DELETE OR TRUNCATE ON audit_trail "
        "FOR EACH STATEMENT EXECUTE FUNCTION audit_trail_kept()"
    )


def downgrade() -> None:
    """Bring the tables back to the revision before; accounts and the trail are lost."""
    op.drop_table("audit_trail")
    if op.get_bind().dialect.name != "sqlite":
        op.execute("DROP FUNCTION audit_trail_kept()")
    op.drop_table("access_tokens")
    op.drop_table("sessions")
    op.drop_table("accounts")
