"""The audit trail: who did what, when, from where, and what was there before and after.

An entry is written in the transaction of the act itself (:meth:`AuditTrail.acting`), so that
neither is without the other. Entries are only added: the database refuses anything else.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, insert, select

from gateway.accounts.actors import Actor, How
from gateway.records.account_models import AuditRecord
from gateway.records.rows import TicketRow
from gateway.records.session import Database

__all__ = ["Acting", "AuditEntry", "AuditTrail", "record_audit", "ticket_facts"]


@dataclass(frozen=True)
class AuditEntry:
    """One entry. ``subject`` is what was acted on: a ticket's number, 'site/unit', an account.

    ``time_ms`` is in ms since 1970 UTC.
    """

    id: int
    time_ms: int
    actor: Actor
    action: str
    subject: str
    before: Mapping[str, Any] | None
    after: Mapping[str, Any] | None


def record_audit(
    connection: Connection,
    actor: Actor,
    action: str,
    subject: str,
    now_ms: int,
    *,
    before: Mapping[str, Any] | None = None,
    after: Mapping[str, Any] | None = None,
) -> None:
    """Add an entry within the caller's transaction; put no secret in it."""
    connection.execute(
        insert(AuditRecord).values(
            time_ms=now_ms,
            account=actor.account,
            shown_name=actor.shown_name,
            how=actor.how.value,
            address=actor.address,
            token=actor.token,
            action=action,
            subject=subject,
            before=None if before is None else dict(before),
            after=None if after is None else dict(after),
        )
    )


class Acting:
    """Somebody in the midst of an act; :meth:`note` says in the trail what it was."""

    def __init__(self, connection: Connection, actor: Actor, now_ms: int) -> None:
        """Within the transaction of ``connection``."""
        self._connection = connection
        self.actor = actor
        self.now_ms = now_ms

    def note(
        self,
        action: str,
        subject: str,
        *,
        before: Mapping[str, Any] | None = None,
        after: Mapping[str, Any] | None = None,
    ) -> None:
        """Add an entry; several are several acts of one transaction."""
        record_audit(
            self._connection, self.actor, action, subject, self.now_ms, before=before, after=after
        )


def ticket_facts(ticket: TicketRow) -> dict[str, Any]:
    """What of a ticket people change, for ``before`` and ``after``."""
    return {
        "state": ticket.state.value,
        "assignee": ticket.assignee,
        "acknowledged_by": ticket.acknowledged_by,
        "closed_by": ticket.closed_by,
    }


class AuditTrail:
    """Writes and reads the trail of one database."""

    def __init__(self, database: Database) -> None:
        """Of this database."""
        self._database = database

    @contextmanager
    def acting(self, actor: Actor, now_ms: int) -> Iterator[Acting]:
        """One transaction for all that this thread does to the records within the block.

        ::

            with records.audit.acting(actor, now_ms) as act:
                records.close_ticket(number, by=actor.shown_name, finding=text, now_ms=now_ms)
                act.note("ticket closed", number, before={...}, after={...})

        Either both are written or neither. What fails within must leave the block.
        """
        with self._database.together() as connection:
            yield Acting(connection, actor, now_ms)

    def entries(
        self,
        *,
        account: str = "",
        subject: str = "",
        since_ms: int = 0,
        before_id: int | None = None,
        limit: int = 200,
    ) -> list[AuditEntry]:
        """The newest entries first; ``before_id`` goes on where the last page ended."""
        query = select(AuditRecord.__table__).order_by(AuditRecord.id.desc()).limit(limit)
        if account:
            query = query.where(AuditRecord.account == account)
        if subject:
            query = query.where(AuditRecord.subject == subject)
        if since_ms:
            query = query.where(AuditRecord.time_ms >= since_ms)
        if before_id is not None:
            query = query.where(AuditRecord.id < before_id)
        with self._database.read() as connection:
            return [
                AuditEntry(
                    id=r.id,
                    time_ms=r.time_ms,
                    actor=Actor(r.account, r.shown_name, How(r.how), r.address, r.token),
                    action=r.action,
                    subject=r.subject,
                    before=r.before,
                    after=r.after,
                )
                for r in connection.execute(query)
            ]
