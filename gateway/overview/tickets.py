"""Tickets: lists by what is asked for, and one with its whole life."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from gateway.overview.source import Names, Source
from gateway.records.queries import Where
from gateway.records.rows import TicketDetail, TicketRow
from gateway.tickets.document import clean
from gateway.tickets.life import ENDED, STANDING, Act, TicketPhase, may
from gateway.tickets.notice import NoticeKind, TicketNotice
from gateway.tickets.render import MailRenderer
from gateway.tickets.ticket import Ticket
from rules.events import Evidence
from rules.faults.registry import unit_concerned
from rules.job import JobPlan

__all__ = [
    "Shown",
    "TicketLine",
    "TicketView",
    "TicketsView",
    "notice_of",
    "ticket_line",
    "ticket_view",
    "tickets_view",
]


class Shown(StrEnum):
    """Which tickets are listed."""

    OPEN = "open"
    """Those that nobody has closed."""
    UNANSWERED = "unanswered"
    CLOSED = "closed"
    ALL = "all"


_PHASES: Final[Mapping[Shown, frozenset[TicketPhase]]] = {
    Shown.OPEN: STANDING,
    Shown.UNANSWERED: frozenset({TicketPhase.OPEN}),
    Shown.CLOSED: ENDED,
    Shown.ALL: frozenset(TicketPhase),
}


@dataclass(frozen=True)
class TicketLine:
    """One ticket in a list. Times are UTC, ms since 1970, None for what has not come.

    ``who`` has it now: those on site, else who is assigned, acknowledged or closed it.
    """

    id: int
    number: str
    site: str
    site_name: str
    unit: str
    unit_name: str
    fault: str
    title: str
    priority: str
    phase: str
    who: str
    onset_ms: int
    opened_ms: int
    updated_ms: int
    returned_ms: int | None
    closed_ms: int | None
    finding: str

    @property
    def is_over(self) -> bool:
        """Whether the readings are back to normal."""
        return self.returned_ms is not None

    @property
    def is_closed(self) -> bool:
        """Whether a person has closed it."""
        return self.closed_ms is not None


@dataclass(frozen=True)
class TicketsView:
    """Tickets, newest first. ``next_before`` continues the list, None at its end."""

    items: tuple[TicketLine, ...]
    next_before: int | None


@dataclass(frozen=True)
class TicketView:
    """One ticket: its line, its document in words and units of the site, and its whole life.

    ``may`` are the acts that its phase allows a person. ``sent`` are those to whom a mail went.
    """

    line: TicketLine
    document: Ticket
    detail: TicketDetail
    may: frozenset[Act]

    @property
    def plan(self) -> JobPlan:
        """The job that belongs to it."""
        return self.document.plan


def ticket_line(names: Names, row: TicketRow) -> TicketLine:
    """A ticket's line."""
    people = " and ".join(one.by for one in row.on_site)
    closed_ms = row.closed_ms if row.state in ENDED else None
    who = row.closed_by if closed_ms else people or row.assignee or row.acknowledged_by
    return TicketLine(
        id=row.id,
        number=row.number,
        site=row.site,
        site_name=names.site(row.site),
        unit=row.unit,
        unit_name=names.unit_concerned(row.site, row.unit, row.fault),
        fault=row.fault,
        title=names.fault_title(row.site, row.unit, row.fault),
        priority=row.priority,
        phase=row.state.value,
        who=clean(who, 100),
        onset_ms=row.onset_ms,
        opened_ms=row.opened_ms,
        updated_ms=row.updated_ms,
        returned_ms=row.returned_ms,
        closed_ms=closed_ms,
        finding=clean(row.finding, 300),
    )


def tickets_view(
    source: Source,
    *,
    shown: Shown = Shown.OPEN,
    priority: str = "",
    site: str = "",
    unit: str = "",
    before_id: int | None = None,
    limit: int = 100,
) -> TicketsView:
    """Tickets that match, newest first."""
    rows = source.records.tickets(
        Where(site, unit),
        phases=_PHASES[shown],
        priority=priority,
        before_id=before_id,
        limit=limit + 1,
    )
    more = rows[limit - 1].id if len(rows) > limit else None
    return TicketsView(tuple(ticket_line(source.names, r) for r in rows[:limit]), more)


def ticket_view(source: Source, renderer: MailRenderer, number: str) -> TicketView | None:
    """A ticket with all that is known of it, None where there is none of that number.

    ``renderer`` is the one that the mails are made by, so that both say the same.
    """
    detail = source.records.ticket(number)
    if detail is None:
        return None
    return TicketView(
        ticket_line(source.names, detail.ticket),
        renderer.ticket(notice_of(detail)),
        detail,
        frozenset(act for act in Act if may(detail.ticket.state, act)),
    )


def notice_of(detail: TicketDetail) -> TicketNotice:
    """The ticket as it is now, as a notice: its document and its job sheet are made of one."""
    ticket = detail.ticket
    told = [e for e in detail.entries if e.evidence is not None]
    return TicketNotice(
        number=ticket.number,
        kind=NoticeKind.OPENED,
        site_id=ticket.site,
        unit_id=unit_concerned(ticket.fault, ticket.unit),
        fault=ticket.fault,
        priority=ticket.priority,
        time_ms=told[-1].time_ms if told else ticket.opened_ms,
        onset_ms=ticket.onset_ms,
        opened_ms=ticket.opened_ms,
        returned_ms=ticket.returned_ms,
        evidence=(told[-1].evidence if told else None)
        or Evidence("No readings were recorded with this alarm.", 0.0),
        history=tuple(detail.entries),
        to=(),
        cc=(),
        from_address="",
        reply_to="",
        message_id="",
        in_reply_to="",
        references=(),
        date_ms=ticket.updated_ms,
        event_seq=detail.entries[-1].seq if detail.entries else 0,
    )
