"""The chain: who is told next of a ticket that nobody acknowledges.

Pure, like the desk: the records ask it now and then, and carry out what it says. As the ticket
itself says how far the chain has come, a restart neither loses a step nor repeats one; steps that
fell due meanwhile are made good at once, in one mail.
"""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

from gateway.tickets.desk import Tell, TicketPhase, TicketState
from gateway.tickets.notice import PRIORITY_OF, NoticeKind, TicketEntry, TicketEventKind
from gateway.tickets.routing import Routing

__all__ = ["Escalation", "escalate"]

_SEVERITY_OF = {priority: severity for severity, priority in PRIORITY_OF.items()}
_MINUTE_MS = 60_000


class Escalation(NamedTuple):
    """The ticket after a step, the line for its history, and whom to tell."""

    ticket: TicketState
    entry: TicketEntry
    tell: Tell


def escalate(
    ticket: TicketState, *, now_ms: int, site_id: str, routing: Routing
) -> Escalation | None:
    """The step that is due for a ticket whose alarm stands unacknowledged; None if none is."""
    team = routing.team(site_id)
    if (
        team is None
        or team.roster is None
        or ticket.chain_from_ms is None
        or ticket.phase is not TicketPhase.OPEN
        or ticket.returned_ms is not None
    ):
        return None
    chain = team.roster.chain(ticket.priority, ticket.chain_from_ms)
    due = [step for step in chain if step.number > ticket.chain_step and step.due_ms <= now_ms]
    if not due:
        return None
    names = tuple(name for step in due for name in step.tell)
    to = tuple(team.people[one] for one in team.roster.people(names, now_ms))
    taken = {person.email.lower() for person in to}
    cc = tuple(p for p in team.monitoring if p.email.lower() not in taken)
    waited_min = (now_ms - ticket.chain_from_ms) // _MINUTE_MS
    entry = TicketEntry(
        seq=ticket.last_seq + 1,
        time_ms=now_ms,
        kind=TicketEventKind.ESCALATED,
        severity=_SEVERITY_OF[ticket.priority],
        note=(
            f"Nobody has acknowledged it for {waited_min} min; told: "
            f"{', '.join(person.name or person.email for person in to)}."
        ),
    )
    after = replace(
        ticket,
        chain_step=due[-1].number,
        last_seq=entry.seq,
        updated_ms=max(now_ms, ticket.updated_ms),
    )
    webhooks = routing.webhooks(site_id, NoticeKind.ESCALATED)
    tell = Tell(NoticeKind.ESCALATED, to, cc, now_ms, webhooks)
    return Escalation(after, entry, tell)
