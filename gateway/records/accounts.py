"""Accounts, sessions and tokens in the records; each change stands in the audit trail with it.

Secrets come and go as hashes. What makes an account safer or weaker (password, roles, disabled)
ends its sessions in the same transaction, so none outlives what it rested on.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import Connection, Row, and_, delete, func, insert, or_, select, update

from gateway.accounts.actors import Actor
from gateway.accounts.names import shown_key
from gateway.records.account_models import AccountRecord, SessionRecord, TokenRecord
from gateway.records.audit import record_audit
from gateway.records.session import Database, RecordsError
from gateway.records.text import by_code_points

__all__ = ["Account", "AccountStore", "Session", "Token"]


@dataclass(frozen=True)
class Account:
    """Somebody who may sign in; ``roles`` are words. Times in ms since 1970 UTC."""

    id: int
    name: str
    shown_name: str
    roles: frozenset[str]
    disabled: bool
    created_ms: int
    password_ms: int
    password_hash: str = field(repr=False)


@dataclass(frozen=True)
class Session:
    """A browser in which somebody has signed in."""

    account: Account
    key_hash: str = field(repr=False)
    begun_ms: int
    seen_ms: int
    address: str
    browser: str


@dataclass(frozen=True)
class Token:
    """A program's token; it can do what both its own roles and its account's allow."""

    id: int
    account: Account
    purpose: str
    roles: frozenset[str]
    created_ms: int
    expires_ms: int
    used_ms: int | None
    revoked_ms: int | None


class AccountStore:
    """Accounts of one database; each method is one transaction."""

    def __init__(self, database: Database) -> None:
        """Of this database."""
        self._database = database

    # --- accounts -----------------------------------------------------------------------------

    def add(
        self,
        name: str,
        shown_name: str,
        password_hash: str,
        roles: Iterable[str],
        actor: Actor,
        now_ms: int,
    ) -> None:
        """A new account; :class:`RecordsError` where a name is taken.

        ``name`` and ``shown_name`` are as :mod:`gateway.accounts.names` gives them.
        """
        key, words = shown_key(shown_name), _words(roles)
        with self._database.write() as connection:
            taken = connection.execute(
                select(AccountRecord.name, AccountRecord.shown_name).where(
                    or_(AccountRecord.name == name, AccountRecord.shown_key == key)
                )
            ).first()
            if taken is not None:
                msg = (
                    f"There is an account '{taken.name}' for {taken.shown_name} already. Nothing "
                    "was changed. Names must differ, or records would not say who it was."
                )
                raise RecordsError(msg)
            connection.execute(
                insert(AccountRecord).values(
                    name=name,
                    shown_name=shown_name,
                    shown_key=key,
                    password_hash=password_hash,
                    roles=words,
                    disabled=False,
                    created_ms=now_ms,
                    password_ms=now_ms,
                )
            )
            after = {"shown_name": shown_name, "roles": words, "password": bool(password_hash)}
            record_audit(connection, actor, "account added", name, now_ms, after=after)

    def get(self, name: str) -> Account | None:
        """The account of this sign-in name."""
        with self._database.read() as connection:
            row = connection.execute(_ACCOUNTS.where(AccountRecord.name == name)).first()
        return None if row is None else _account(row)

    def all(self) -> list[tuple[Account, int, int | None]]:
        """Every account with its number of sessions and when one was last seen, by name."""
        query = (
            select(
                AccountRecord.__table__,
                func.count(SessionRecord.key_hash).label("sessions"),
                func.max(SessionRecord.seen_ms).label("seen"),
            )
            .outerjoin(SessionRecord, SessionRecord.account_id == AccountRecord.id)
            .group_by(AccountRecord.id)
            .order_by(by_code_points(AccountRecord.__table__.c.name))
        )
        with self._database.read() as connection:
            return [(_account(r), r.sessions, r.seen) for r in connection.execute(query)]

    def set_roles(self, name: str, roles: Iterable[str], actor: Actor, now_ms: int) -> None:
        """Give the account these roles and no others; its sessions end."""
        words = _words(roles)

        def change(connection: Connection, account: Account) -> None:
            self._set(connection, account, roles=words)
            before, after = {"roles": _words(account.roles)}, {"roles": words}
            record_audit(
                connection, actor, "roles set", name, now_ms, before=before, after=after
            )  # fmt: skip

        self._change(name, change)

    def set_disabled(self, name: str, disabled: bool, actor: Actor, now_ms: int) -> None:
        """Keep the account from signing in, or let it again; its sessions end."""

        def change(connection: Connection, account: Account) -> None:
            self._set(connection, account, disabled=disabled)
            action = "account disabled" if disabled else "account enabled"
            before, after = {"disabled": account.disabled}, {"disabled": disabled}
            record_audit(connection, actor, action, name, now_ms, before=before, after=after)

        self._change(name, change)

    def set_password(
        self, name: str, password_hash: str, actor: Actor, now_ms: int, *, keep: str = ""
    ) -> None:
        """Another password ('' for none); sessions end but that whose key's hash is ``keep``."""

        def change(connection: Connection, account: Account) -> None:
            connection.execute(
                update(AccountRecord)
                .where(AccountRecord.id == account.id)
                .values(password_hash=password_hash, password_ms=now_ms)
            )
            self._end(connection, account.id, keep)
            record_audit(
                connection, actor, "password set" if password_hash else "password taken", name,
                now_ms, before={"password_ms": account.password_ms},
                after={"password_ms": now_ms},
            )  # fmt: skip

        self._change(name, change)

    def renew_hash(self, account: Account, password_hash: str) -> None:
        """The same password with newer parameters, unless it was changed meanwhile."""
        with self._database.write() as connection:
            connection.execute(
                update(AccountRecord)
                .where(
                    AccountRecord.id == account.id,
                    AccountRecord.password_hash == account.password_hash,
                )
                .values(password_hash=password_hash)
            )

    # --- sessions -----------------------------------------------------------------------------

    def begin_session(
        self,
        account: Account,
        key_hash: str,
        actor: Actor,
        now_ms: int,
        *,
        browser: str,
        idle_ms: int,
        longest_ms: int,
        replaces: str = "",
    ) -> bool:
        """A session of the account as it was when its password was checked.

        False, and nothing written, where it has changed since. ``replaces`` is the hash of a key
        whose session ends by this one; sessions that are over are cleared away.
        """
        with self._database.write() as connection:
            row = connection.execute(_ACCOUNTS.where(AccountRecord.id == account.id)).first()
            now = None if row is None else _account(row)
            if now is None or now.disabled or now.password_hash != account.password_hash:
                return False
            connection.execute(
                delete(SessionRecord).where(
                    or_(
                        SessionRecord.seen_ms <= now_ms - idle_ms,
                        SessionRecord.begun_ms <= now_ms - longest_ms,
                        SessionRecord.key_hash == replaces,
                    )
                )
            )
            connection.execute(
                insert(SessionRecord).values(
                    key_hash=key_hash,
                    account_id=account.id,
                    begun_ms=now_ms,
                    seen_ms=now_ms,
                    address=actor.address,
                    browser=browser,
                )
            )
            record_audit(
                connection, actor, "signed in", account.name, now_ms, after={"browser": browser}
            )
            return True

    def session(self, key_hash: str) -> Session | None:
        """The session of a key, over or not; whether it still holds is for the caller to say."""
        with self._database.read() as connection:
            row = connection.execute(_SESSIONS.where(SessionRecord.key_hash == key_hash)).first()
        return None if row is None else _session(row)

    def sessions(self, account: Account) -> list[Session]:
        """The account's sessions, the newest first."""
        query = _SESSIONS.where(AccountRecord.id == account.id).order_by(
            SessionRecord.begun_ms.desc(), SessionRecord.key_hash
        )
        with self._database.read() as connection:
            return [_session(row) for row in connection.execute(query)]

    def touch_session(self, key_hash: str, now_ms: int) -> None:
        """The session was used now; no reader waits for this, see :meth:`Database.write`."""
        with self._database.write(waits=False) as connection:
            connection.execute(
                update(SessionRecord)
                .where(SessionRecord.key_hash == key_hash, SessionRecord.seen_ms < now_ms)
                .values(seen_ms=now_ms)
            )

    def end_session(self, session: Session, actor: Actor, now_ms: int) -> None:
        """Somebody signs out here."""
        with self._database.write() as connection:
            connection.execute(
                delete(SessionRecord).where(SessionRecord.key_hash == session.key_hash)
            )
            record_audit(connection, actor, "signed out", session.account.name, now_ms)

    def end_sessions(self, name: str, actor: Actor, now_ms: int) -> int:
        """Sign the account out everywhere; how many sessions that were."""
        ended = 0

        def change(connection: Connection, account: Account) -> None:
            nonlocal ended
            ended = self._end(connection, account.id)
            record_audit(
                connection, actor, "signed out everywhere", name, now_ms, before={"sessions": ended}
            )

        self._change(name, change)
        return ended

    # --- tokens -------------------------------------------------------------------------------

    def add_token(
        self,
        name: str,
        purpose: str,
        key_hash: str,
        roles: Iterable[str],
        expires_ms: int,
        actor: Actor,
        now_ms: int,
    ) -> int:
        """A token of the account; its number."""
        given: list[int] = []

        def change(connection: Connection, account: Account) -> None:
            inserted = connection.execute(
                insert(TokenRecord).values(
                    account_id=account.id,
                    purpose=purpose,
                    key_hash=key_hash,
                    roles=_words(roles),
                    created_ms=now_ms,
                    expires_ms=expires_ms,
                )
            )
            key = inserted.inserted_primary_key
            assert key is not None  # noqa: S101 - a plain INSERT of one row always has one
            given.append(int(key[0]))
            after = {"purpose": purpose, "roles": _words(roles), "expires_ms": expires_ms}
            record_audit(
                connection, actor, "token added", f"{name} token {given[0]}", now_ms, after=after
            )

        self._change(name, change)
        return given[0]

    def token(self, key_hash: str) -> Token | None:
        """The token of a key, over or not."""
        with self._database.read() as connection:
            row = connection.execute(_TOKENS.where(TokenRecord.key_hash == key_hash)).first()
        return None if row is None else _token(row)

    def tokens(self, account: Account | None = None) -> list[Token]:
        """Every token there ever was, of one account or of all, the newest first."""
        query = _TOKENS.order_by(TokenRecord.id.desc())
        if account is not None:
            query = query.where(AccountRecord.id == account.id)
        with self._database.read() as connection:
            return [_token(row) for row in connection.execute(query)]

    def touch_token(self, token: Token, now_ms: int) -> None:
        """The token was used now; no reader waits for this, see :meth:`Database.write`."""
        with self._database.write(waits=False) as connection:
            connection.execute(
                update(TokenRecord).where(TokenRecord.id == token.id).values(used_ms=now_ms)
            )

    def revoke_token(self, number: int, actor: Actor, now_ms: int, *, account: str = "") -> None:
        """The token ends; :class:`RecordsError` where there is none of that number.

        With ``account`` it must be one of that account's.
        """
        with self._database.write() as connection:
            row = connection.execute(_TOKENS.where(TokenRecord.id == number)).first()
            if row is None or (account and row.name != account):
                msg = f"There is no token {number}. Nothing was changed."
                raise RecordsError(msg)
            token = _token(row)
            if token.revoked_ms is not None:
                return
            connection.execute(
                update(TokenRecord).where(TokenRecord.id == number).values(revoked_ms=now_ms)
            )
            record_audit(
                connection, actor, "token revoked", f"{token.account.name} token {number}", now_ms,
                before={"purpose": token.purpose, "roles": _words(token.roles)},
            )  # fmt: skip

    # ------------------------------------------------------------------------------------------

    def _change(self, name: str, change: Callable[[Connection, Account], None]) -> None:
        with self._database.write() as connection:
            row = connection.execute(_ACCOUNTS.where(AccountRecord.name == name)).first()
            if row is None:
                msg = f"There is no account '{name}'. Nothing was changed."
                raise RecordsError(msg)
            change(connection, _account(row))

    def _set(self, connection: Connection, account: Account, **values: Any) -> None:
        connection.execute(
            update(AccountRecord).where(AccountRecord.id == account.id).values(**values)
        )
        self._end(connection, account.id)

    @staticmethod
    def _end(connection: Connection, account_id: int, keep: str = "") -> int:
        of_it = and_(SessionRecord.account_id == account_id, SessionRecord.key_hash != keep)
        return connection.execute(delete(SessionRecord).where(of_it)).rowcount


_ACCOUNTS = select(AccountRecord.__table__)
_SESSIONS = select(
    AccountRecord.__table__, SessionRecord.key_hash, SessionRecord.begun_ms, SessionRecord.seen_ms,
    SessionRecord.address, SessionRecord.browser,
).join(SessionRecord, SessionRecord.account_id == AccountRecord.id)  # fmt: skip
_TOKENS = select(
    AccountRecord.__table__, TokenRecord.id.label("token_id"), TokenRecord.purpose,
    TokenRecord.roles.label("token_roles"), TokenRecord.created_ms.label("token_created_ms"),
    TokenRecord.expires_ms, TokenRecord.used_ms, TokenRecord.revoked_ms,
).join(TokenRecord, TokenRecord.account_id == AccountRecord.id)  # fmt: skip


def _words(roles: Iterable[str]) -> str:
    return " ".join(sorted(set(roles)))


def _account(row: Row[Any]) -> Account:
    return Account(
        id=row.id,
        name=row.name,
        shown_name=row.shown_name,
        roles=frozenset(row.roles.split()),
        disabled=row.disabled,
        created_ms=row.created_ms,
        password_ms=row.password_ms,
        password_hash=row.password_hash,
    )


def _session(row: Row[Any]) -> Session:
    return Session(_account(row), row.key_hash, row.begun_ms, row.seen_ms, row.address, row.browser)


def _token(row: Row[Any]) -> Token:
    return Token(
        id=row.token_id,
        account=_account(row),
        purpose=row.purpose,
        roles=frozenset(row.token_roles.split()),
        created_ms=row.token_created_ms,
        expires_ms=row.expires_ms,
        used_ms=row.used_ms,
        revoked_ms=row.revoked_ms,
    )
