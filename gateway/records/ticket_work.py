"""What people do to tickets: assign, arrive, leave, report done, close, note, attach.

All functions work inside the caller's transaction. What is possible when is said by
:mod:`gateway.tickets.life`; what an act asks of the rules (out of service, back in service,
acknowledged, cleaned) goes the way of every action, in the same transaction: either all of it is
written or nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final, cast

from sqlalchemy import Connection, Table, func, insert, select, update

from gateway.records.actions import add_action
from gateway.records.models import TicketAttachmentRecord as Attachments
from gateway.records.models import TicketEventRecord as Entries
from gateway.records.models import TicketFindingRecord as Findings
from gateway.records.models import TicketRecord as Tickets
from gateway.records.service_state import held_besides_visits, longest
from gateway.records.ticketing import entry_values, ticket_number, withdraw
from gateway.records.trouble import RecordsError
from gateway.records.wear import note_cleaning
from gateway.tickets.attachments import MOST_EACH, Attachment
from gateway.tickets.closeout import MOST_FINDINGS, PartFinding
from gateway.tickets.life import (
    ENDED,
    GRACE_MS,
    LONGEST_STAY_MS,
    STAY_MS,
    Act,
    Presence,
    TicketPhase,
    may,
    moved,
    people_on_site,
    present,
    refusal,
)
from gateway.tickets.notice import TicketEntry, TicketEventKind
from rules.events import ActionKind, Severity

__all__ = [
    "add_note",
    "arrive",
    "assign",
    "attach",
    "close_ticket",
    "finish",
    "leave",
]

_TICKETS: Final = cast("Table", Tickets.__table__)


def assign(connection: Connection, number: str, by: str, to: str, note: str, now_ms: int) -> None:
    """Somebody is to do it. Whoever assigns it has seen it: the alarm is acknowledged too."""
    ticket = _ticket(connection, number)
    to = _name(to, "whom the ticket is assigned to")
    phase = _allowed(ticket, Act.ASSIGN)
    _acknowledge(connection, ticket, by, now_ms)
    text = f"to {to}" + (f": {note}" if note else "")
    _record(
        connection, ticket, now_ms, TicketEventKind.ASSIGNED, by, text,
        state=phase.value, assignee=to,
    )  # fmt: skip


def arrive(
    connection: Connection, number: str, by: str, note: str, until_ms: int, now_ms: int
) -> None:
    """Somebody works on the unit from now on: its alarms are out of service meanwhile."""
    ticket = _ticket(connection, number)
    until_ms = until_ms or now_ms + STAY_MS
    if not now_ms < until_ms <= now_ms + LONGEST_STAY_MS:
        msg = (
            "The end of the work must lie ahead, and no further than "
            f"{LONGEST_STAY_MS // 3_600_000} h: report again if it takes longer. Nothing was "
            "changed."
        )
        raise RecordsError(msg)
    phase = _allowed(ticket, Act.ARRIVE)
    people = people_on_site(ticket.on_site)
    known = present(people, by)
    if known is None:
        people = (*people, Presence(by, now_ms))
    _acknowledge(connection, ticket, by, now_ms)
    _ask(
        connection, ActionKind.OUT_OF_SERVICE, ticket, by, now_ms,
        note=f"on site for ticket {number}",
        # Somebody else may work there for longer.
        until_ms=longest(connection, ticket.unit_row, until_ms + GRACE_MS, now_ms),
    )  # fmt: skip
    # Readings of a unit that is worked on prove nothing for the tickets that are done with.
    connection.execute(
        update(Tickets)
        .where(Tickets.unit_row == ticket.unit_row, Tickets.hand_back_ended_ms.is_(None))
        .values(hand_back_from_ms=None)
    )
    text = "stays longer" if known else "works on the unit; its alarms are out of service"
    _record(
        connection, ticket, now_ms, TicketEventKind.ARRIVED, by,
        f"{text}{f': {note}' if note else '.'}",
        state=phase.value, on_site=_on_site(people), stay_until_ms=until_ms, reminded_ms=None,
        hand_back_from_ms=None, hand_back_ended_ms=None, work_done_ms=None, work_done_by="",
    )  # fmt: skip


def leave(
    connection: Connection, number: str, by: str, note: str, now_ms: int, whom: str = ""
) -> bool:
    """Somebody goes before the work is done; True where nobody works at the unit any more.

    ``whom`` has left where it is not ``by`` himself.
    """
    ticket = _ticket(connection, number)
    phase = _allowed(ticket, Act.LEAVE)
    left = _without(ticket, whom or by)
    gone = next(one.by for one in people_on_site(ticket.on_site) if one not in left)
    is_over = False
    if left:
        phase = TicketPhase.ON_SITE
    else:
        is_over = _visit_ends(connection, ticket, by, now_ms)
    _record(
        connection, ticket, now_ms, TicketEventKind.LEFT, by,
        (f"{gone} has left, clear of the machine. " if whom else "")
        + (note or "The work is not done."),
        state=phase.value, on_site=_on_site(left),
        assignee=ticket.assignee or (gone if whom else by),
        **({} if left else {"stay_until_ms": None}),
    )  # fmt: skip
    return is_over


def finish(connection: Connection, number: str, by: str, note: str, now_ms: int) -> bool:
    """The work is done; True where nobody works at the unit and its readings are checked."""
    ticket = _ticket(connection, number)
    phase = _allowed(ticket, Act.FINISH)
    _alone(ticket, by)
    is_over = _visit_ends(connection, ticket, by, now_ms)
    _record(
        connection, ticket, now_ms, TicketEventKind.WORK_DONE, by, note,
        state=phase.value, work_done_ms=now_ms, work_done_by=by, **_handed_back(now_ms, is_over),
    )  # fmt: skip
    return is_over


def close_ticket(
    connection: Connection,
    number: str,
    by: str,
    finding: str,
    findings: Sequence[PartFinding],
    cleaned: Sequence[str],
    now_ms: int,
) -> None:
    """A person closes the ticket and says what was found."""
    ticket = _ticket(connection, number)
    phase = _allowed(ticket, Act.CLOSE)
    if len(findings) > MOST_FINDINGS:
        msg = f"{len(findings)} findings are too many; {MOST_FINDINGS} at most."
        raise RecordsError(msg)
    more: dict[str, Any] = {}
    if ticket.state == TicketPhase.ON_SITE.value:
        _alone(ticket, by)
        more = _handed_back(now_ms, _visit_ends(connection, ticket, by, now_ms))
        more |= {"work_done_ms": now_ms, "work_done_by": by}
    if cleaned:
        _ask(connection, ActionKind.CLEANED, ticket, by, now_ms, note=finding, parts=cleaned)
        note_cleaning(
            connection, unit_row=ticket.unit_row, parts=cleaned, by=by,
            work_from_ms=_work_from_ms(connection, ticket, now_ms), cleaned_ms=now_ms,
            ticket_id=ticket.id,
        )  # fmt: skip
    if ticket.held_outbox_id is not None:
        withdraw(connection, ticket.held_outbox_id, now_ms)
    if findings:
        connection.execute(
            insert(Findings), _finding_rows(connection, ticket, findings, by, now_ms)
        )
    parts = ", ".join(dict.fromkeys(f.part for f in findings))
    _record(
        connection, ticket, now_ms, TicketEventKind.CLOSED, by,
        f"{finding} Findings: {parts}." if parts else finding,
        state=phase.value, closed_ms=now_ms, closed_by=by, finding=finding, held_outbox_id=None,
        normal_ms=0, normal_to_ms=None, watch_ended_ms=None, verified_ms=None, **more,
    )  # fmt: skip


def _work_from_ms(connection: Connection, ticket: Any, now_ms: int) -> int:
    """When the work began: the first arrival since the last close-out, else a usual stay ago."""
    of_ticket = Entries.ticket_id == ticket.id
    closed = select(func.max(Entries.seq)).where(
        of_ticket, Entries.kind == TicketEventKind.CLOSED.value
    )
    came = connection.scalar(
        select(func.min(Entries.time_ms)).where(
            of_ticket,
            Entries.kind == TicketEventKind.ARRIVED.value,
            Entries.seq > func.coalesce(closed.scalar_subquery(), 0),
        )
    )
    return int(came) if came is not None else now_ms - STAY_MS


def add_note(connection: Connection, number: str, by: str, note: str, now_ms: int) -> None:
    """A person adds a note to the ticket's history; also to a closed one."""
    _record(connection, _ticket(connection, number), now_ms, TicketEventKind.NOTE, by, note)


def attach(connection: Connection, number: str, by: str, what: Attachment, now_ms: int) -> int:
    """Keep a photo or document with the ticket, also a closed one; its position there."""
    ticket = _ticket(connection, number)
    rows = connection.execute(
        select(Attachments.position, Attachments.sha256).where(Attachments.ticket_id == ticket.id)
    ).all()
    for row in rows:
        if row.sha256 == what.sha256:
            return int(row.position)  # the same file sent twice, as over a bad line
    if len(rows) >= MOST_EACH:
        msg = f"Ticket {number} has {len(rows)} attachments, which is the most. Nothing was added."
        raise RecordsError(msg)
    position = 1 + max((row.position for row in rows), default=0)
    connection.execute(
        insert(Attachments).values(
            ticket_id=ticket.id,
            position=position,
            time_ms=now_ms,
            by=by,
            name=what.name,
            media_type=what.media_type,
            size_bytes=len(what.content),
            sha256=what.sha256,
            content=what.content,
        )
    )
    _record(connection, ticket, now_ms, TicketEventKind.ATTACHED, by, what.name)
    return position


def _on_site(people: Sequence[Presence]) -> dict[str, Any] | None:
    return {"people": [dict(vars(one)) for one in people]} if people else None


def _ticket(connection: Connection, number: str) -> Any:
    ticket = connection.execute(select(_TICKETS).where(Tickets.number == number)).first()
    if ticket is None:
        msg = f"There is no ticket {number}. Numbers are written as {ticket_number(123)}."
        raise RecordsError(msg)
    return ticket


def _name(name: str, what: str) -> str:
    name = " ".join(name.split())
    if not name:
        msg = f"Give the name of the person {what}. Nothing was changed."
        raise RecordsError(msg)
    return name


def _allowed(ticket: Any, act: Act) -> TicketPhase:
    """The phase after the act, or the refusal of it."""
    phase = TicketPhase(ticket.state)
    if not may(phase, act):
        who = ticket.closed_by if phase in ENDED else _names(people_on_site(ticket.on_site))
        raise RecordsError(refusal(ticket.number, phase, act, who))
    return moved(phase, act, assignee=ticket.assignee)


def _names(people: Sequence[Presence]) -> str:
    return " and ".join(one.by for one in people)


def _without(ticket: Any, by: str) -> tuple[Presence, ...]:
    """Those on site without this person, who must be one of them."""
    people = people_on_site(ticket.on_site)
    gone = present(people, by)
    if gone is None:
        msg = (
            f"{by} has not reported on site for ticket {ticket.number}; {_names(people)} has. Give "
            "the name as it was given on arrival. Who has left and cannot report it himself is "
            "reported by another, by name. Nothing was changed."
        )
        raise RecordsError(msg)
    return tuple(one for one in people if one is not gone)


def _alone(ticket: Any, by: str) -> None:
    """Refuse to call the work done while anybody else may still be locked on."""
    others = _without(ticket, by)
    if others:
        msg = (
            f"{_names(others)} has reported on site for ticket {ticket.number} and not left: the "
            "work is not done while anybody may still be working under a lock. Report him as left "
            "first, when he is clear of the machine. Nothing was changed."
        )
        raise RecordsError(msg)


def _visit_ends(connection: Connection, ticket: Any, by: str, now_ms: int) -> bool:
    """Give the unit back as it was before; False while somebody works there for another ticket.

    It returns to service, but for what a person has asked for apart from visits: that holds on.
    """
    others = connection.scalar(
        select(func.count())
        .select_from(_TICKETS)
        .where(
            Tickets.unit_row == ticket.unit_row,
            Tickets.state == TicketPhase.ON_SITE.value,
            Tickets.id != ticket.id,
        )
    )
    if others:
        return False
    held = held_besides_visits(connection, ticket.unit_row, now_ms)
    if held is not None:
        _ask(
            connection, ActionKind.OUT_OF_SERVICE, ticket, held.by, now_ms, note=held.note,
            until_ms=held.until_ms,
        )  # fmt: skip
    else:
        _ask(
            connection, ActionKind.IN_SERVICE, ticket, by, now_ms,
            note=f"work for ticket {ticket.number} ended",
        )  # fmt: skip
    # Whoever finished before, while others were still at this unit, is answered from now on.
    connection.execute(
        update(Tickets)
        .where(
            Tickets.unit_row == ticket.unit_row,
            Tickets.work_done_ms.is_not(None),
            Tickets.hand_back_from_ms.is_(None),
            Tickets.hand_back_ended_ms.is_(None),
        )
        .values(hand_back_from_ms=now_ms)
    )
    return True


def _handed_back(now_ms: int, is_over: bool) -> dict[str, Any]:
    return {
        "on_site": None,
        "stay_until_ms": None,
        "hand_back_from_ms": now_ms if is_over else None,
        "hand_back_ended_ms": None,
        "hand_back": None,
    }


def _acknowledge(connection: Connection, ticket: Any, by: str, now_ms: int) -> None:
    if ticket.state == TicketPhase.OPEN.value:
        _ask(connection, ActionKind.ACKNOWLEDGE, ticket, by, now_ms, fault=ticket.fault)


def _ask(
    connection: Connection, kind: ActionKind, ticket: Any, by: str, now_ms: int, **more: Any
) -> None:
    """What the rules are to do; see :func:`gateway.records.actions.add_action`."""
    given: dict[str, Any] = {"fault": "", "note": "", "until_ms": 0, "ticket": ticket.number} | more
    add_action(connection, kind=kind, unit_row=ticket.unit_row, by=by, now_ms=now_ms, **given)


def _finding_rows(
    connection: Connection,
    ticket: Any,
    findings: Sequence[PartFinding],
    by: str,
    now_ms: int,
) -> list[dict[str, Any]]:
    query = select(func.max(Findings.position)).where(Findings.ticket_id == ticket.id)
    first = 1 + (connection.scalar(query) or 0)
    return [
        {
            "ticket_id": ticket.id,
            "position": position,
            "time_ms": now_ms,
            "by": by,
            "part": one.part,
            "found": one.found,
            "done": one.done,
            "parts_used": one.parts_used,
            "readings": one.readings_json(),
            "verdict": one.verdict.value if one.verdict is not None else "",
        }
        for position, one in enumerate(findings, start=first)
    ]


def _record(
    connection: Connection,
    ticket: Any,
    now_ms: int,
    kind: TicketEventKind,
    by: str,
    note: str,
    **changes: Any,
) -> None:
    """Add a line to the history and change the ticket."""
    seq = ticket.last_seq + 1
    severity = Severity[ticket.priority.upper()]
    entry = TicketEntry(seq, now_ms, kind, severity, by=_name(by, "who does it"), note=note)
    connection.execute(insert(Entries), [entry_values(ticket.id, entry, now_ms)])
    connection.execute(
        update(Tickets)
        .where(Tickets.id == ticket.id)
        .values(updated_ms=now_ms, last_seq=seq, **changes)
    )
