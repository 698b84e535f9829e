"""A ticket's acknowledgement by one who was told of it: what stands in the way, and asking once.

What is asked for goes through the journal as every action does, so between the asking and its
effect the ticket is still open; who asks again in that time is told who asked before. All functions
work inside the caller's transaction.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from sqlalchemy import Connection, select

from gateway.records import actions, queries
from gateway.records.models import ActionRecord, AlarmRecord
from gateway.records.outbox_rows import outbox_rows
from gateway.records.rows import TicketDetail
from gateway.records.session import RecordsError
from gateway.tickets.life import ENDED, TicketPhase
from rules.alarms import HELD, Happening, next_state
from rules.events import ActionKind, AlarmState

__all__ = ["Asked", "Awaited", "TicketNow", "acknowledge", "ticket_now"]


class Awaited(StrEnum):
    """Whether a ticket waits for an acknowledgement, and why not."""

    YES = "yes"
    ASKED = "asked"
    """Somebody has asked; the gateway has not applied it yet."""
    ACKNOWLEDGED = "acknowledged"
    CLOSED = "closed"
    HELD = "held"
    """The alarm is shelved, suppressed or out of service: there is nothing to answer now."""
    NOTHING = "nothing"
    """The alarm is over or was answered, while the ticket waits to be closed."""


@dataclass(frozen=True)
class Asked:
    """An acknowledgement that the gateway has not applied yet."""

    by: str
    note: str
    time_ms: int


@dataclass(frozen=True)
class TicketNow:
    """A ticket with its alarm's state and an acknowledgement that is under way."""

    detail: TicketDetail
    alarm: AlarmState
    asked: Asked | None

    @property
    def awaited(self) -> Awaited:
        """Whether it waits for an acknowledgement."""
        phase = self.detail.ticket.state
        if phase in ENDED:
            return Awaited.CLOSED
        if phase is TicketPhase.ACKNOWLEDGED:
            return Awaited.ACKNOWLEDGED
        if self.asked is not None:
            return Awaited.ASKED
        if self.alarm in HELD:
            return Awaited.HELD
        changes = next_state(self.alarm, Happening.ACKNOWLEDGE) is not self.alarm
        return Awaited.YES if changes else Awaited.NOTHING


def ticket_now(connection: Connection, number: str) -> TicketNow | None:
    """The ticket as it stands, or None."""
    ticket = queries.ticket_by_number(connection, number)
    if ticket is None:
        return None
    entries = queries.ticket_entries(connection, ticket.id)
    mails = outbox_rows(connection, ticket_id=ticket.id)
    alarm = connection.scalar(
        select(AlarmRecord.state).where(
            AlarmRecord.unit_row == ticket.unit_row, AlarmRecord.fault == ticket.fault
        )
    )
    under_way = connection.execute(
        select(ActionRecord.by, ActionRecord.note, ActionRecord.requested_ms)
        .where(
            ActionRecord.state != actions.ActionState.APPLIED.value,
            ActionRecord.kind == ActionKind.ACKNOWLEDGE.value,
            ActionRecord.unit_row == ticket.unit_row,
            ActionRecord.fault == ticket.fault,
        )
        .order_by(ActionRecord.id)
        .limit(1)
    ).first()
    return TicketNow(
        TicketDetail(ticket, entries, tuple(reversed(mails))),
        AlarmState.NORMAL if alarm is None else AlarmState(alarm),
        None if under_way is None else Asked(under_way.by, under_way.note, under_way.requested_ms),
    )


def acknowledge(
    connection: Connection, number: str, *, by: str, note: str, now_ms: int
) -> TicketNow:
    """Ask for the acknowledgement if the ticket waits for one; the ticket as it stood before that.

    Raises :class:`RecordsError` where there is no such ticket.
    """
    now = ticket_now(connection, number)
    if now is None:
        msg = f"There is no ticket {number}. Nothing was changed."
        raise RecordsError(msg)
    if now.awaited is Awaited.YES:
        ticket = now.detail.ticket
        actions.add_action(
            connection,
            kind=ActionKind.ACKNOWLEDGE,
            unit_row=ticket.unit_row,
            fault=ticket.fault,
            by=by,
            note=note,
            until_ms=0,
            now_ms=now_ms,
        )
    return now
