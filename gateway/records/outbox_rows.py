"""What is asked of the outbox: how many messages wait, each one's fate, and what went wrong."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final, cast

from sqlalchemy import Connection, Select, Table, func, or_, select

from gateway.records.allowance import WAITS_FOR_ALLOWANCE
from gateway.records.models import OutboxAttemptRecord as Attempts
from gateway.records.models import OutboxLetterRecord as Letters
from gateway.records.models import OutboxRecipientRecord as Recipients
from gateway.records.models import OutboxRecord as Outbox
from gateway.records.models import TicketRecord as Tickets
from gateway.records.rows import (
    AttemptOutcome,
    AttemptRow,
    Channel,
    DeliveryRow,
    DeliveryState,
    OutboxCounts,
    OutboxRow,
    OutboxState,
)
from gateway.tickets.notice import NoticeKind, Recipient

__all__ = ["outbox_counts", "outbox_rows", "undelivered_rows"]

_UNDER_WAY: Final = (OutboxState.SENDING.value, OutboxState.HANDING_OVER.value)


def outbox_counts(connection: Connection) -> OutboxCounts:
    """How many mails and texts are in which state, and since when the oldest waits.

    What waits for the hour's allowance only, or for one of several recipients, tells nothing of the
    server, and does not count as waiting since.
    """
    by_mail = Outbox.channel != Channel.WEBHOOK.value
    by_state = connection.execute(
        select(Outbox.state, func.count()).where(by_mail).group_by(Outbox.state)
    )
    waiting = (OutboxState.PENDING.value, *_UNDER_WAY)
    served = select(Recipients.outbox_id).where(
        Recipients.outbox_id == Outbox.id, Recipients.state == DeliveryState.ACCEPTED.value
    )
    oldest = select(func.min(Outbox.created_ms)).where(
        by_mail,
        Outbox.state.in_(waiting),
        ~Outbox.last_reply.startswith(WAITS_FOR_ALLOWANCE),
        ~served.exists(),
    )
    refused = (
        select(func.count())
        .select_from(Recipients)
        .join(Outbox, Outbox.id == Recipients.outbox_id)
        .where(by_mail, Recipients.state == DeliveryState.REFUSED.value)
    )
    return OutboxCounts(
        by_state={OutboxState(state): count for state, count in by_state},
        oldest_waiting_ms=connection.scalar(oldest),
        refused_recipients=connection.scalar(refused) or 0,
    )


def outbox_rows(
    connection: Connection,
    *,
    states: Sequence[OutboxState] = tuple(OutboxState),
    ticket_id: int | None = None,
    limit: int = 200,
) -> list[OutboxRow]:
    """Messages in one of the states, newest first, with their recipients and attempts."""
    query = _newest(limit).where(Outbox.state.in_([s.value for s in states]))
    if ticket_id is not None:
        query = query.where(Outbox.ticket_id == ticket_id)
    return _complete(connection, query)


def undelivered_rows(connection: Connection, limit: int = 200) -> list[OutboxRow]:
    """Messages that somebody did not get, newest first.

    Refused for good, for one recipient at least; addressed to nobody; or still waiting after an
    attempt, for a server that is away, or for the hour's allowance.
    """
    refused = select(Recipients.outbox_id).where(Recipients.state == DeliveryState.REFUSED.value)
    waiting = Outbox.state.in_([OutboxState.PENDING.value, *_UNDER_WAY])
    query = _newest(limit).where(
        or_(
            Outbox.state.in_([OutboxState.REFUSED.value, OutboxState.UNADDRESSED.value]),
            Outbox.id.in_(refused),
            waiting & (Outbox.last_reply != ""),
        )
    )
    return _complete(connection, query)


def _newest(limit: int) -> Select[Any]:
    return (
        select(cast("Table", Outbox.__table__), Tickets.number.label("ticket"), Letters.subject)
        .outerjoin(Tickets, Tickets.id == Outbox.ticket_id)
        .outerjoin(Letters, Letters.outbox_id == Outbox.id)
        .order_by(Outbox.id.desc())
        .limit(limit)
    )


def _complete(connection: Connection, query: Select[Any]) -> list[OutboxRow]:
    """The query's messages with their recipients and attempts."""
    rows = connection.execute(query).all()
    ids = [r.id for r in rows]
    deliveries: dict[int, list[DeliveryRow]] = {i: [] for i in ids}
    attempts: dict[int, list[AttemptRow]] = {i: [] for i in ids}
    for r in connection.execute(
        select(Recipients.__table__)
        .where(Recipients.outbox_id.in_(ids))
        .order_by(Recipients.outbox_id, Recipients.position)
    ):
        person = Recipient(r.name, r.email)
        deliveries[r.outbox_id].append(DeliveryRow(person, r.role, DeliveryState(r.state), r.reply))
    for r in connection.execute(
        select(Attempts.__table__)
        .where(Attempts.outbox_id.in_(ids))
        .order_by(Attempts.outbox_id, Attempts.number)
    ):
        outcome = AttemptOutcome(r.outcome)
        attempts[r.outbox_id].append(
            AttemptRow(r.number, r.started_ms, r.ended_ms, outcome, r.reply)
        )
    return [
        OutboxRow(
            id=r.id,
            ticket=r.ticket or "",
            event_seq=r.event_seq,
            kind=NoticeKind(r.kind),
            priority=r.priority,
            state=OutboxState(r.state),
            message_id=r.message_id,
            created_ms=r.created_ms,
            next_attempt_ms=r.next_attempt_ms,
            attempts=r.attempts,
            done_ms=r.done_ms,
            last_reply=r.last_reply,
            possibly_duplicate=r.possibly_duplicate,
            deliveries=tuple(deliveries[r.id]),
            history=tuple(attempts[r.id]),
            channel=Channel(r.channel),
            subject=r.subject or "",
        )
        for r in rows
    ]
