"""Carries out what the desk decides: tickets, their history, and the mails about them.

All functions work inside the caller's transaction. Ids of tickets and mails are given out here,
under the write lock; tickets are never deleted, so a number is never used twice.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, cast

from sqlalchemy import Connection, Table, bindparam, func, insert, or_, select, update

from gateway.digests.gathering import Draft as Notice
from gateway.records.channel_rows import channel_rows
from gateway.records.gathering import gather
from gateway.records.models import TICKETS_BEYOND, InstallationRecord
from gateway.records.models import AlarmRecord as Alarms
from gateway.records.models import OutboxRecipientRecord as Recipients
from gateway.records.models import OutboxRecord as Outbox
from gateway.records.models import TicketEventRecord as Entries
from gateway.records.models import TicketRecord as Tickets
from gateway.records.postmark import Postmark
from gateway.records.rows import Channel, DeliveryState, OutboxState
from gateway.tickets.desk import (
    DeskSettings,
    Tell,
    TicketState,
    Told,
    decide,
    tell,
    told,
)
from gateway.tickets.escalation import escalate
from gateway.tickets.life import ENDED, TicketPhase
from gateway.tickets.notice import NoticeKind, Recipient, TicketEntry, TicketEventKind
from gateway.tickets.routing import Routing
from rules.events import AlarmEvent, AlarmState

__all__ = [
    "Draft",
    "Postmark",
    "carry_out",
    "draft_of",
    "entry_values",
    "escalate_tickets",
    "ticket_number",
    "with_also",
    "withdraw",
    "write_tickets",
]

_CHUNK: Final = 500
_TICKETS = cast("Table", Tickets.__table__)
_AGAIN: Final[dict[str, Any]] = {
    "closed_by": "",
    "work_done_ms": None,
    "work_done_by": "",
    "hand_back_from_ms": None,
    "hand_back_ended_ms": None,
    "normal_ms": 0,
    "normal_to_ms": None,
    "watch_ended_ms": None,
    "verified_ms": None,
}
"""What a ticket that is open again has not any more; its findings stay."""

_Key = tuple[int, str]


@dataclass
class Draft:
    """A ticket while events are applied to it."""

    id: int
    state: TicketState
    is_new: bool
    root_message_id: str = ""
    held_outbox_id: int | None = None
    alarm: AlarmState = AlarmState.NORMAL
    reopened: bool = False
    entries: list[TicketEntry] = field(default_factory=list)


def ticket_number(ticket_id: int) -> str:
    """The number that people quote, as 'BW-000123'."""
    return f"BW-{ticket_id:06d}"


def last_ticket_id(connection: Connection) -> int:
    """The id beyond which the next ticket's lies; after a restore not the last ticket's own."""
    floor = connection.scalar(
        select(InstallationRecord.value).where(InstallationRecord.name == TICKETS_BEYOND)
    )
    last = connection.scalar(select(func.max(Tickets.id))) or 0
    return max(last, int(floor or 0))


def write_tickets(
    connection: Connection,
    events: Sequence[AlarmEvent],
    sites: Mapping[int, str],
    *,
    now_ms: int,
    routing: Routing,
    settings: DeskSettings,
    postmark: Postmark,
    reopen_within_ms: int = 0,
) -> int:
    """Bring the tickets up to date with the events, in their order; the number of new mails."""
    earliest_ms = min((e.time_ms for e in events), default=now_ms)
    drafts = _tickets_of(
        connection, {(e.unit_row, e.fault) for e in events}, earliest_ms - reopen_within_ms
    )
    next_id = 1 + last_ticket_id(connection)
    for event in events:
        key = (event.unit_row, event.fault)
        draft = drafts.get(key)
        before = draft.state if draft else None
        decision = decide(event, before, reopen_within_ms=reopen_within_ms)
        if decision is None:
            continue
        if draft is None or decision.entry.kind is TicketEventKind.OPENED:
            draft = drafts[key] = Draft(next_id, decision.ticket, is_new=True)
            next_id += 1
        draft.reopened |= decision.entry.kind is TicketEventKind.REOPENED
        draft.state = decision.ticket
        draft.alarm = event.state
        draft.entries.append(decision.entry)
    return _write(
        connection,
        [d for d in drafts.values() if d.entries],
        sites,
        now_ms=now_ms,
        routing=routing,
        settings=settings,
        postmark=postmark,
    )


def _write(
    connection: Connection,
    drafts: Sequence[Draft],
    sites: Mapping[int, str],
    *,
    now_ms: int,
    routing: Routing,
    settings: DeskSettings,
    postmark: Postmark,
) -> int:
    mails: list[tuple[Draft, Tell]] = []
    withdrawn: list[int] = []
    for draft in drafts:
        verdict = tell(
            draft.state,
            draft.alarm,
            now_ms=now_ms,
            site_id=sites[draft.state.unit_row],
            routing=routing,
            settings=settings,
        )
        draft.state = verdict.ticket
        if verdict.withdraw and draft.held_outbox_id is not None:
            withdrawn.append(draft.held_outbox_id)
            draft.held_outbox_id = None
        if verdict.tell is not None:
            mails.append((draft, _with_those_told(connection, draft, verdict.tell)))
    alone = _one_by_one(connection, mails, sites, now_ms, routing)
    return carry_out(connection, drafts, mails, withdrawn, now_ms, postmark, alone)


def _with_those_told(connection: Connection, draft: Draft, notice: Tell) -> Tell:
    """Of a ticket that was ended and is open again, whoever was told before hears too."""
    if notice.kind is not NoticeKind.REOPENED or not notice.to:
        return notice
    query = (
        select(Recipients.name, Recipients.email)
        .join(Outbox, Outbox.id == Recipients.outbox_id)
        .where(Outbox.ticket_id == draft.id, Outbox.state != OutboxState.WITHDRAWN.value)
        .order_by(Recipients.outbox_id, Recipients.position)
    )
    return with_also(notice, [Recipient(r.name, r.email) for r in connection.execute(query)])


def with_also(notice: Tell, others: Sequence[Recipient]) -> Tell:
    """The notice with others in copy, each address once."""
    seen = {person.email.lower() for person in (*notice.to, *notice.cc)}
    more: dict[str, Recipient] = {}
    for person in others:
        if person.email.lower() not in seen:
            more.setdefault(person.email.lower(), person)
    return notice._replace(cc=(*notice.cc, *more.values()))


def escalate_tickets(
    connection: Connection,
    sites: Mapping[int, str],
    *,
    now_ms: int,
    routing: Routing,
    postmark: Postmark,
) -> int:
    """Tell the next in the chain of each ticket that nobody has acknowledged; the new mails."""
    query = (
        select(_TICKETS, Outbox.state.label("held_state"), Outbox.date_ms, Outbox.kind)
        .outerjoin(Outbox, Outbox.id == Tickets.held_outbox_id)
        .join(Alarms, (Alarms.unit_row == Tickets.unit_row) & (Alarms.fault == Tickets.fault))
        .where(
            Tickets.state == TicketPhase.OPEN.value,
            Tickets.returned_ms.is_(None),
            Tickets.chain_from_ms <= now_ms,
            Alarms.state == int(AlarmState.UNACKNOWLEDGED),
        )
    )
    drafts: list[Draft] = []
    mails: list[tuple[Draft, Tell]] = []
    for row in connection.execute(query):
        draft = draft_of(row)
        step = escalate(
            draft.state, now_ms=now_ms, site_id=sites[draft.state.unit_row], routing=routing
        )
        if step is not None:
            draft.state = step.ticket
            draft.entries.append(step.entry)
            drafts.append(draft)
            mails.append((draft, step.tell))
    if not drafts:
        return 0
    alone = _one_by_one(connection, mails, sites, now_ms, routing)
    return carry_out(connection, drafts, mails, (), now_ms, postmark, alone)


def _one_by_one(
    connection: Connection,
    mails: Sequence[tuple[Draft, Tell]],
    sites: Mapping[int, str],
    now_ms: int,
    routing: Routing,
) -> list[bool]:
    """For each mail whether it goes out by itself; the others are listed in one with more."""
    drafts = [
        Notice(sites[d.state.unit_row], d.state.fault, d.state.priority, notice.kind)
        for d, notice in mails
    ]
    return [not one for one in gather(connection, drafts, routing, now_ms)]


def carry_out(
    connection: Connection,
    drafts: Sequence[Draft],
    mails: Sequence[tuple[Draft, Tell]],
    withdrawn: Sequence[int],
    now_ms: int,
    postmark: Postmark,
    alone: Sequence[bool] | None = None,
) -> int:
    """Write the tickets, their histories and the mails; the number of mails."""
    mail_rows, recipient_rows = _mail_rows(
        connection, mails, [True] * len(mails) if alone is None else alone, now_ms, postmark
    )
    new = [d for d in drafts if d.is_new]
    if new:
        connection.execute(insert(Tickets), [_ticket_values(d) | _birth_values(d) for d in new])
    known = [_ticket_values(d) | {"ticket_id": d.id} for d in drafts if not d.is_new]
    if known:
        here = _TICKETS.c.id == bindparam("ticket_id")
        connection.execute(update(_TICKETS).where(here), known)
    reopened = [d.id for d in drafts if d.reopened]
    if reopened:
        connection.execute(update(_TICKETS).where(Tickets.id.in_(reopened)).values(_AGAIN))
    entries = [(d.id, e) for d in drafts for e in d.entries]
    if entries:
        connection.execute(
            insert(Entries), [entry_values(ticket_id, e, now_ms) for ticket_id, e in entries]
        )
    for outbox_id in withdrawn:
        withdraw(connection, outbox_id, now_ms)
    if mail_rows:
        connection.execute(insert(Outbox), mail_rows)
    if recipient_rows:
        connection.execute(insert(Recipients), recipient_rows)
    return len(mail_rows)


def _mail_rows(
    connection: Connection,
    mails: Sequence[tuple[Draft, Tell]],
    alone: Sequence[bool],
    now_ms: int,
    postmark: Postmark,
) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """The rows to insert; notes in each draft the mail that starts its thread or is held."""
    if not mails:
        return [], []
    first = 1 + (connection.scalar(select(func.max(Outbox.id))) or 0)
    mail_rows: list[dict[str, Any]] = []
    recipient_rows: list[dict[str, Any]] = []
    for (draft, notice), by_itself in zip(mails, alone, strict=True):
        outbox_id = first + len(mail_rows)
        seq = draft.state.last_seq
        message_id = postmark.message_id(ticket_number(draft.id), seq)
        held = notice.not_before_ms > now_ms
        if held:
            draft.held_outbox_id = outbox_id
        if not notice.to:
            state = OutboxState.UNADDRESSED
        elif not held and not by_itself:
            state = OutboxState.GATHERED
        else:
            state = OutboxState.HELD if held else OutboxState.PENDING
        mail_rows.append(
            {
                "id": outbox_id,
                "ticket_id": draft.id,
                "event_seq": seq,
                "channel": Channel.MAIL.value,
                "kind": notice.kind.value,
                "priority": draft.state.priority,
                "state": state.value,
                "message_id": message_id,
                "in_reply_to": draft.root_message_id,
                "onset_ms": draft.state.onset_ms,
                "created_ms": now_ms,
                "date_ms": notice.not_before_ms,
                "next_attempt_ms": notice.not_before_ms,
                "attempts": 0,
                "done_ms": None if notice.to else now_ms,
                "last_reply": ""
                if notice.to
                else "Nobody is named for this site: see oncall.toml.",
                "possibly_duplicate": False,
            }
        )
        # A thread begins with a mail that goes out.
        if notice.to and not draft.root_message_id and state is not OutboxState.GATHERED:
            draft.root_message_id = message_id
        people = [("to", p) for p in notice.to] + [("cc", p) for p in notice.cc]
        recipient_rows += [
            {
                "outbox_id": outbox_id,
                "position": position,
                "role": role,
                "name": person.name,
                "email": person.email,
                "state": DeliveryState.PENDING.value,
                "reply": "",
            }
            for position, (role, person) in enumerate(people)
        ]
        # What is listed with others wakes nobody by a text of its own; other systems are told.
        told_beside = notice if by_itself else notice._replace(to=())
        for message, recipient in channel_rows(
            mail_rows[-1], told_beside, outbox_id + 1, is_held=held
        ):
            mail_rows.append(message)
            recipient_rows.append(recipient)
    return mail_rows, recipient_rows


def withdraw(connection: Connection, outbox_id: int, now_ms: int) -> None:
    """A mail that still waits is not sent any more, nor what was to go out beside it."""
    event = select(Outbox.ticket_id, Outbox.event_seq).where(Outbox.id == outbox_id)
    ticket_id, seq = connection.execute(event).one()
    connection.execute(
        update(Outbox)
        .where(
            Outbox.ticket_id == ticket_id,
            Outbox.event_seq == seq,
            Outbox.state == OutboxState.HELD.value,
        )
        .values(state=OutboxState.WITHDRAWN.value, done_ms=now_ms)
    )


def _tickets_of(connection: Connection, keys: set[_Key], closed_since_ms: int) -> dict[_Key, Draft]:
    """The open ticket of each unit and fault; else the one that was closed last since then."""
    found: dict[_Key, Draft] = {}
    ended = [phase.value for phase in ENDED]
    for rows in _chunks(sorted({row for row, _fault in keys})):
        query = (
            select(_TICKETS, Outbox.state.label("held_state"), Outbox.date_ms, Outbox.kind)
            .outerjoin(Outbox, Outbox.id == Tickets.held_outbox_id)
            .where(
                Tickets.unit_row.in_(rows),
                or_(Tickets.state.not_in(ended), Tickets.closed_ms >= closed_since_ms),
            )
            # The newest last: where none is open, it is that.
            .order_by(Tickets.id)
        )
        for row in connection.execute(query):
            key = (row.unit_row, row.fault)
            if key in keys and (key not in found or found[key].state.phase in ENDED):
                found[key] = draft_of(row)
    return found


def draft_of(row: Any) -> Draft:
    """The ticket of a row that has its held mail's state, date and kind beside it."""
    state = TicketState(
        unit_row=row.unit_row,
        fault=row.fault,
        priority=row.priority,
        first_priority=row.first_priority,
        phase=TicketPhase(row.state),
        onset_ms=row.onset_ms,
        opened_ms=row.opened_ms,
        updated_ms=row.updated_ms,
        returned_ms=row.returned_ms,
        acknowledged_ms=row.acknowledged_ms,
        acknowledged_by=row.acknowledged_by,
        last_seq=row.last_seq,
        told=Told(row.told),
        told_priority=row.told_priority or None,
        repeat_told_ms=row.repeat_told_ms,
        held=row.held_state == OutboxState.HELD.value,
        chain_from_ms=row.chain_from_ms,
        chain_step=row.chain_step,
        assignee=row.assignee,
        ended_by=row.closed_by or row.work_done_by,
        closed_ms=row.closed_ms,
    )
    draft = Draft(row.id, state, is_new=False, root_message_id=row.root_message_id)
    if state.held:
        draft.held_outbox_id = row.held_outbox_id
    elif row.held_outbox_id is not None:
        # The held notice has gone out since: what it said is what was told last.
        draft.state = told(state, NoticeKind(row.kind), state.priority, row.date_ms)
    return draft


def _ticket_values(draft: Draft) -> dict[str, Any]:
    s = draft.state
    return {
        "priority": s.priority,
        "state": s.phase.value,
        "onset_ms": s.onset_ms,
        "updated_ms": s.updated_ms,
        "returned_ms": s.returned_ms,
        "acknowledged_ms": s.acknowledged_ms,
        "acknowledged_by": s.acknowledged_by,
        "last_seq": s.last_seq,
        "told": s.told.value,
        "told_priority": s.told_priority or "",
        "repeat_told_ms": s.repeat_told_ms,
        "held_outbox_id": draft.held_outbox_id,
        "chain_from_ms": s.chain_from_ms,
        "chain_step": s.chain_step,
        "closed_ms": s.closed_ms,
        "root_message_id": draft.root_message_id,
    }


def _birth_values(draft: Draft) -> dict[str, Any]:
    s = draft.state
    return {
        "id": draft.id,
        "number": ticket_number(draft.id),
        "unit_row": s.unit_row,
        "fault": s.fault,
        "first_priority": s.first_priority,
        "opened_ms": s.opened_ms,
        "closed_by": "",
        "finding": "",
    }


def entry_values(ticket_id: int, entry: TicketEntry, now_ms: int) -> dict[str, Any]:
    """The row of a line of a ticket's history."""
    return {
        "ticket_id": ticket_id,
        "seq": entry.seq,
        "time_ms": entry.time_ms,
        "recorded_ms": now_ms,
        "kind": entry.kind.value,
        "severity": int(entry.severity),
        "evidence": entry.evidence.to_json() if entry.evidence else None,
        "by": entry.by,
        "note": entry.note,
    }


def _chunks(rows: Sequence[int]) -> Iterator[Sequence[int]]:
    for start in range(0, len(rows), _CHUNK):
        yield rows[start : start + _CHUNK]
