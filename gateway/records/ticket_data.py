"""What the data and the time do to tickets: reminders, hand-back checks, verification, reopening.

All functions work inside the caller's transaction. What the readings say is found out elsewhere
(:mod:`gateway.aftercare`); here it is written down, each result once, with the mail about it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any, Final, cast

from sqlalchemy import Connection, Select, Table, and_, or_, select, update

from gateway.records.models import AlarmRecord as Alarms
from gateway.records.models import OutboxRecord as Outbox
from gateway.records.models import TicketRecord as Tickets
from gateway.records.ticketing import Draft, Postmark, carry_out, draft_of, with_also
from gateway.tickets.desk import DeskSettings, Tell, Told, tell
from gateway.tickets.life import ENDED, Act, TicketPhase, moved, people_on_site
from gateway.tickets.notice import (
    NoticeKind,
    Recipient,
    TicketEntry,
    TicketEventKind,
)
from gateway.tickets.routing import Routing
from rules.events import AlarmState, Severity

__all__ = [
    "Course",
    "HandBackSeen",
    "Mailing",
    "Outcome",
    "UnderCare",
    "note_courses",
    "note_hand_backs",
    "remind",
    "under_care",
]

_TICKETS: Final = cast("Table", Tickets.__table__)
_ACTIVE: Final = frozenset({AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED})
_MINUTE_MS: Final = 60_000


@dataclass(frozen=True)
class UnderCare:
    """A ticket about which the data have something to say.

    ``hand_back_from_ms`` is None where no hand-back is to be checked; ``watched`` tells that it is
    closed and not verified. ``stands`` is whether its alarm does, by the records; None if they know
    of no such alarm. Times are UTC, ms since 1970.
    """

    id: int
    number: str
    unit_row: int
    fault: str
    hand_back_from_ms: int | None
    lowest_mm: float | None
    watched: bool
    closed_ms: int
    normal_ms: int
    normal_to_ms: int | None
    stands: bool | None


@dataclass(frozen=True)
class HandBackSeen:
    """What a look showed; ``settled`` ends the check, ``proven`` says how, ``note`` in words."""

    ticket: UnderCare
    data: Mapping[str, Any]
    settled: bool
    proven: bool
    note: str


class Outcome(StrEnum):
    """How the watch over a closed ticket goes on."""

    GOES_ON = "goes on"
    VERIFIED = "verified"
    UNDECIDED = "undecided"
    DISAGREES = "disagrees"


@dataclass(frozen=True)
class Course:
    """How much normal data there is since the close-out, up to when, and what that means."""

    ticket: UnderCare
    normal_ms: int
    normal_to_ms: int | None
    outcome: Outcome
    note: str = ""


def under_care(connection: Connection) -> list[UnderCare]:
    """The tickets whose hand-back is to be checked, or that are closed and not verified."""
    query = (
        select(_TICKETS, Alarms.state.label("alarm"))
        .outerjoin(Alarms, and_(Alarms.unit_row == Tickets.unit_row, Alarms.fault == Tickets.fault))
        .where(
            Tickets.watch_ended_ms.is_(None),
            or_(
                and_(Tickets.hand_back_from_ms.is_not(None), Tickets.hand_back_ended_ms.is_(None)),
                Tickets.state == TicketPhase.CLOSED.value,
            ),
        )
        .order_by(Tickets.id)
    )
    return [_awaited(row) for row in connection.execute(query)]


def _awaited(row: Any) -> UnderCare:
    pending = row.hand_back_ended_ms is None
    lowest = (row.hand_back or {}).get("lowest_mm")
    return UnderCare(
        id=row.id,
        number=row.number,
        unit_row=row.unit_row,
        fault=row.fault,
        hand_back_from_ms=row.hand_back_from_ms if pending else None,
        lowest_mm=float(lowest) if isinstance(lowest, int | float) else None,
        watched=row.state == TicketPhase.CLOSED.value and row.watch_ended_ms is None,
        closed_ms=row.closed_ms or 0,
        normal_ms=row.normal_ms,
        normal_to_ms=row.normal_to_ms,
        stands=None if row.alarm is None else AlarmState(row.alarm) in _ACTIVE,
    )


@dataclass(frozen=True)
class Mailing:
    """What it takes to tell people of a ticket."""

    sites: Mapping[int, str]
    routing: Routing
    desk: DeskSettings
    postmark: Postmark
    now_ms: int


def remind(connection: Connection, mailing: Mailing) -> int:
    """Tell whoever is on call of units that are out of service longer than was said; the mails."""
    query = _with_mail().where(
        Tickets.state == TicketPhase.ON_SITE.value,
        Tickets.stay_until_ms <= mailing.now_ms,
        Tickets.reminded_ms.is_(None),
    )
    drafts: list[Draft] = []
    mails: list[tuple[Draft, Tell]] = []
    for row in connection.execute(query).all():
        draft = draft_of(row)
        people = people_on_site(row.on_site)
        who = " and ".join(one.by for one in people) or "Somebody"
        since_ms = min((one.since_ms for one in people), default=row.stay_until_ms)
        minutes = max(mailing.now_ms - since_ms, 0) // _MINUTE_MS
        note = (
            f"It has been so for {minutes // 60} h {minutes % 60} min: {who} reported on site and "
            f"wanted to be done by now. See first whether {who} needs help. Unless the stay is "
            "reported again, the unit's alarms are judged again within an hour. This says "
            "nothing of locks: only whoever put one on takes it off, by the site's own procedure."
        )
        _add(draft, mailing.now_ms, TicketEventKind.OVERSTAYED, note)
        drafts.append(draft)
        names = [one.by for one in people]
        mails.append((draft, _notice(NoticeKind.OVERSTAYED, draft, mailing, names)))
        connection.execute(
            update(Tickets).where(Tickets.id == row.id).values(reminded_ms=mailing.now_ms)
        )
    if not drafts:
        return 0
    return carry_out(connection, drafts, mails, (), mailing.now_ms, mailing.postmark)


def note_hand_backs(connection: Connection, seen: Sequence[HandBackSeen], mailing: Mailing) -> int:
    """Write down what looks at handed-back units showed; the mails."""
    drafts: list[Draft] = []
    mails: list[tuple[Draft, Tell]] = []
    for one in seen:
        row = _row(connection, one.ticket.id)
        if row.hand_back_from_ms != one.ticket.hand_back_from_ms or row.hand_back_ended_ms:
            continue  # somebody is on site again since
        ended = {"hand_back_ended_ms": mailing.now_ms} if one.settled else {}
        connection.execute(
            update(Tickets).where(Tickets.id == row.id).values(hand_back=dict(one.data), **ended)
        )
        if not one.settled:
            continue
        draft = draft_of(row)
        _add(draft, mailing.now_ms, TicketEventKind.HANDED_BACK, one.note)
        drafts.append(draft)
        if not one.proven:
            notice = _notice(NoticeKind.NOT_PROVEN, draft, mailing, [row.work_done_by])
            mails.append((draft, notice))
    if not drafts:
        return 0
    return carry_out(connection, drafts, mails, (), mailing.now_ms, mailing.postmark)


def note_courses(connection: Connection, courses: Sequence[Course], mailing: Mailing) -> int:
    """Write down how the watch over closed tickets went on; the mails."""
    drafts: list[Draft] = []
    mails: list[tuple[Draft, Tell]] = []
    for one in courses:
        row = _row(connection, one.ticket.id)
        if row.state != TicketPhase.CLOSED.value or row.watch_ended_ms is not None:
            continue  # the alarm has reopened it since
        values: dict[str, Any] = {"normal_ms": one.normal_ms, "normal_to_ms": one.normal_to_ms}
        outcome = one.outcome
        if outcome is Outcome.DISAGREES and _has_open(connection, row):
            outcome = Outcome.UNDECIDED
        draft = draft_of(row)
        match outcome:
            case Outcome.VERIFIED:
                _add(draft, mailing.now_ms, TicketEventKind.VERIFIED, one.note)
                phase = moved(draft.state.phase, Act.VERIFY)
                draft.state = replace(draft.state, phase=phase)
                values |= {"verified_ms": mailing.now_ms}
            case Outcome.UNDECIDED:
                _add(draft, mailing.now_ms, TicketEventKind.NOT_VERIFIED, one.note)
            case Outcome.DISAGREES:
                _add(draft, mailing.now_ms, TicketEventKind.REOPENED, one.note)
                mails += _reopened(connection, draft, mailing)
        if outcome is not Outcome.GOES_ON:
            drafts.append(draft)
            values |= {"watch_ended_ms": mailing.now_ms}
        connection.execute(update(Tickets).where(Tickets.id == row.id).values(values))
    if not drafts:
        return 0
    return carry_out(connection, drafts, mails, (), mailing.now_ms, mailing.postmark)


def _reopened(connection: Connection, draft: Draft, mailing: Mailing) -> list[tuple[Draft, Tell]]:
    state = draft.state
    alarm = connection.scalar(
        select(Alarms.state).where(Alarms.unit_row == state.unit_row, Alarms.fault == state.fault)
    )
    draft.reopened = True
    draft.state = replace(
        state, phase=moved(state.phase, Act.DISAGREE), told=Told.DISAGREED, returned_ms=None,
        acknowledged_ms=None, acknowledged_by="", closed_ms=None, chain_from_ms=None, chain_step=0,
    )  # fmt: skip
    verdict = tell(
        draft.state,
        AlarmState(alarm or 0),
        now_ms=mailing.now_ms,
        site_id=mailing.sites[state.unit_row],
        routing=mailing.routing,
        settings=mailing.desk,
    )
    draft.state = verdict.ticket
    return [(draft, verdict.tell)] if verdict.tell else []


def _has_open(connection: Connection, row: Any) -> bool:
    query = select(Tickets.id).where(
        Tickets.unit_row == row.unit_row,
        Tickets.fault == row.fault,
        Tickets.state.not_in([phase.value for phase in ENDED]),
    )
    return connection.execute(query).first() is not None


def _with_mail() -> Select[Any]:
    """Tickets with what :func:`draft_of` asks of their held mail."""
    return select(
        _TICKETS, Outbox.state.label("held_state"), Outbox.date_ms, Outbox.kind
    ).outerjoin(Outbox, Outbox.id == Tickets.held_outbox_id)


def _row(connection: Connection, ticket_id: int) -> Any:
    return connection.execute(_with_mail().where(Tickets.id == ticket_id)).one()


def _add(draft: Draft, now_ms: int, kind: TicketEventKind, note: str) -> None:
    seq = draft.state.last_seq + 1
    severity = Severity[draft.state.priority.upper()]
    draft.entries.append(TicketEntry(seq, now_ms, kind, severity, note=note))
    draft.state = replace(draft.state, last_seq=seq, updated_ms=max(now_ms, draft.state.updated_ms))


def _notice(kind: NoticeKind, draft: Draft, mailing: Mailing, names: Sequence[str]) -> Tell:
    """A notice for those who are named, as far as the team knows them, and for who is on call.

    It is not held for anybody's hours: somebody is at the machine.
    """
    site_id = mailing.sites[draft.state.unit_row]
    team = mailing.routing.team(site_id)
    wanted = {" ".join(name.split()).casefold() for name in names}
    known: list[Recipient] = []
    if team is not None:
        for key, person in team.people.items():
            if {key.casefold(), " ".join(person.name.split()).casefold()} & wanted:
                known.append(person)
        known += [p for p in team.on_call if " ".join(p.name.split()).casefold() in wanted]
    to, cc = mailing.routing.recipients(site_id, draft.state.priority, mailing.now_ms)
    if team is not None:
        to = team.first_told(draft.state.priority, mailing.now_ms) or to
    bare = Tell(kind, (), (), mailing.now_ms, mailing.routing.webhooks(site_id, kind))
    everybody = with_also(bare, [*known, *to]).cc
    return with_also(bare._replace(to=everybody or cc), cc)
