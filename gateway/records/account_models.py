"""The tables of people and programs that use the board, and of what they did.

No secret is here: of passwords there are Argon2 hashes, of sessions and tokens SHA-256 hashes of
256 random bits.
"""

from __future__ import annotations

from typing import Any

from sqlalchemy import BigInteger, ForeignKey, Index, Integer, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from gateway.records.models import Base

__all__ = ["AccountRecord", "AuditRecord", "SessionRecord", "TokenRecord"]


class AccountRecord(Base):
    """Somebody who may sign in.

    ``shown_key`` is what makes ``shown_name`` one of its kind. ``password_hash`` is empty where one
    comes in by a proxy alone. ``roles`` are words with blanks between.
    """

    __tablename__ = "accounts"

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    name: Mapped[str]
    shown_name: Mapped[str]
    shown_key: Mapped[str]
    password_hash: Mapped[str]
    roles: Mapped[str]
    disabled: Mapped[bool]
    created_ms: Mapped[int] = mapped_column(BigInteger)
    password_ms: Mapped[int] = mapped_column(BigInteger)

    __table_args__ = (
        UniqueConstraint("name"),
        UniqueConstraint("shown_key"),
        {"sqlite_autoincrement": True},
    )


class SessionRecord(Base):
    """A browser in which somebody has signed in; the row goes when that ends."""

    __tablename__ = "sessions"

    key_hash: Mapped[str] = mapped_column(primary_key=True)
    account_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    begun_ms: Mapped[int] = mapped_column(BigInteger)
    seen_ms: Mapped[int] = mapped_column(BigInteger)
    address: Mapped[str]
    browser: Mapped[str]

    __table_args__ = (Index(None, "account_id"),)


class TokenRecord(Base):
    """What a program shows instead of signing in: a part of its account's roles, until an end."""

    __tablename__ = "access_tokens"

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    account_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    purpose: Mapped[str]
    key_hash: Mapped[str]
    roles: Mapped[str]
    created_ms: Mapped[int] = mapped_column(BigInteger)
    expires_ms: Mapped[int] = mapped_column(BigInteger)
    used_ms: Mapped[int | None] = mapped_column(BigInteger)
    revoked_ms: Mapped[int | None] = mapped_column(BigInteger)

    __table_args__ = (
        UniqueConstraint("key_hash"),
        Index(None, "account_id"),
        {"sqlite_autoincrement": True},
    )


class AuditRecord(Base):
    """One thing that somebody did, with what was there before and after; never altered.

    The database itself refuses to alter or delete a row. ``account`` is a name and no reference, so
    that it stays true whatever becomes of the account; ``how`` see
    :class:`gateway.accounts.actors.How`. ``token`` is the number of a program's token and what
    it is for, '' for people.
    """

    __tablename__ = "audit_trail"

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    time_ms: Mapped[int] = mapped_column(BigInteger)
    account: Mapped[str]
    shown_name: Mapped[str]
    how: Mapped[str]
    address: Mapped[str]
    token: Mapped[str] = mapped_column(server_default="")
    action: Mapped[str]
    subject: Mapped[str]
    before: Mapped[dict[str, Any] | None]
    after: Mapped[dict[str, Any] | None]

    __table_args__ = (
        Index(None, "time_ms"),
        Index(None, "account", "time_ms"),
        Index(None, "subject", "time_ms"),
        {"sqlite_autoincrement": True},
    )
