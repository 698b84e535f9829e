"""The desk: what an alarm's change means for its ticket, and whether somebody must be told.

Pure decisions on frozen data; the records carry them out. :func:`decide` takes one alarm event
after the other. :func:`tell` is asked once at the end of a commit and compares what the last notice
said with what is true now, so several changes at once make one notice, a flapping alarm does not
flood a mailbox, and a trouble that stands is always told in the end.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final, NamedTuple

from gateway.tickets.life import ENDED, Act, TicketPhase, moved
from gateway.tickets.notice import (
    PRIORITY_OF,
    NoticeKind,
    Priority,
    Recipient,
    TicketEntry,
    TicketEventKind,
)
from gateway.tickets.routing import Recipients, Routing
from rules.events import AlarmEvent, AlarmState, Change

__all__ = [
    "Decision",
    "DeskSettings",
    "Tell",
    "TicketPhase",
    "TicketState",
    "Told",
    "Verdict",
    "decide",
    "tell",
    "told",
]

_PRIORITIES: Final[tuple[Priority, ...]] = ("low", "medium", "high")
_ACTIVE: Final = frozenset({AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED})
_OVER: Final = frozenset(
    {
        AlarmState.NORMAL,
        AlarmState.RETURNED_UNACKNOWLEDGED,
        AlarmState.LATCHED_UNACKNOWLEDGED,
        AlarmState.LATCHED_ACKNOWLEDGED,
    }
)
_OPENING: Final = frozenset(
    {Change.RAISED, Change.WORSENED, Change.UNSUPPRESSED, Change.UNSHELVED, Change.IN_SERVICE}
)


class Told(StrEnum):
    """What the last notice said of the trouble."""

    NOTHING = "nothing"
    STANDING = "standing"
    DUE = "due"
    """It stands, was told and acknowledged, and is to be told again."""
    RETURNED = "returned"
    DISAGREED = "disagreed"
    """Somebody said that the work was done, it stands all the same, and that was not told yet."""


@dataclass(frozen=True)
class DeskSettings:
    """``repeat_notice_interval_ms``: least time between two notices that a trouble came back.

    The first return of a trouble is told at once. Default 4 h, so that an alarm that comes and goes
    costs at most two mails in half a shift (common practice).
    """

    repeat_notice_interval_ms: int = 4 * 3_600_000


@dataclass(frozen=True)
class TicketState:
    """What the desk knows of one ticket that is not closed, or was closed last.

    Times are UTC, ms since 1970. ``onset_ms`` belongs to the present occurrence; ``returned_ms`` is
    None while the trouble stands. ``first_priority`` is that at opening, so that whoever was told
    at first is told how it goes on. ``held``: a notice that the trouble came back waits for its
    time. ``chain_from_ms`` is when the present notice was due: the chain of those who are told next
    counts from it (None: nobody was told). ``chain_step`` is the last of its steps that was taken.
    ``assignee`` and ``ended_by`` (who reported the work done, or closed it) may be empty.
    """

    unit_row: int
    fault: str
    priority: Priority
    first_priority: Priority
    phase: TicketPhase
    onset_ms: int
    opened_ms: int
    updated_ms: int
    returned_ms: int | None = None
    acknowledged_ms: int | None = None
    acknowledged_by: str = ""
    last_seq: int = 0
    told: Told = Told.NOTHING
    told_priority: Priority | None = None
    repeat_told_ms: int | None = None
    held: bool = False
    chain_from_ms: int | None = None
    chain_step: int = 0
    assignee: str = ""
    ended_by: str = ""
    closed_ms: int | None = None


class Decision(NamedTuple):
    """The ticket after an event, and the line to add to its history."""

    ticket: TicketState
    entry: TicketEntry


class Tell(NamedTuple):
    """A notice to send, not before ``not_before_ms``. ``to`` is empty where nobody is named.

    ``webhooks`` are the names of other systems that are told.
    """

    kind: NoticeKind
    to: tuple[Recipient, ...]
    cc: tuple[Recipient, ...]
    not_before_ms: int
    webhooks: tuple[str, ...] = ()


class Verdict(NamedTuple):
    """The ticket after telling, what to send, and whether the held notice is to be withdrawn."""

    ticket: TicketState
    tell: Tell | None
    withdraw: bool


def decide(
    event: AlarmEvent, ticket: TicketState | None, *, reopen_within_ms: int = 0
) -> Decision | None:
    """What ``event`` does to the ticket of the same unit and fault (None: there is none).

    Where none is open, ``ticket`` may be the one that was closed last: an alarm that is raised
    within ``reopen_within_ms`` of its close-out reopens it, a later one opens a new ticket.
    Returns None where nothing is to be recorded: the alarm has no ticket and needs none.
    """
    if ticket is None or ticket.phase in ENDED:
        return _begin(event, ticket, reopen_within_ms)
    active = event.state in _ACTIVE
    if active and event.change is Change.RAISED and ticket.phase is TicketPhase.WORK_DONE:
        return _disagree(ticket, event)
    if active and (
        event.change in {Change.RAISED, Change.WORSENED}
        or (ticket.returned_ms is not None and event.change in _OPENING)
    ):
        return _stands(ticket, event)
    if event.change is Change.RETURNED:
        returned = replace(ticket, returned_ms=event.time_ms)
        return _recorded(returned, event, TicketEventKind.RETURNED)
    if event.change is Change.ACKNOWLEDGED:
        acknowledged = replace(
            ticket,
            phase=moved(ticket.phase, Act.ACKNOWLEDGE, assignee=ticket.assignee),
            acknowledged_ms=event.time_ms,
            acknowledged_by=event.by,
        )
        return _recorded(acknowledged, event, TicketEventKind.ACKNOWLEDGED)
    if event.change is Change.ANNOUNCED_AGAIN and ticket.returned_ms is None:
        due = Told.DUE if ticket.told is Told.STANDING else ticket.told
        ticket = replace(ticket, phase=moved(ticket.phase, Act.ASK_AGAIN), told=due)
    note = f"Alarm {event.change.value}" + (f": {event.note}" if event.note else ".")
    return _recorded(ticket, replace(event, note=note), TicketEventKind.NOTE)


def tell(
    ticket: TicketState,
    state: AlarmState,
    *,
    now_ms: int,
    site_id: str,
    routing: Routing,
    settings: DeskSettings,
) -> Verdict:
    """Whether somebody must be told of ``ticket``, whose alarm is in ``state`` at the end.

    ``now_ms`` is the time of the commit; a notice whose priority may not disturb people then waits
    for their hours. While the alarm is shelved, suppressed by design or out of
    service nobody is told anything.
    """
    kind = _kind(ticket, state)
    if kind is None:
        return Verdict(replace(ticket, held=False), None, ticket.held)
    due_ms = now_ms
    in_digest = routing.has_digest(site_id, ticket.priority)
    if kind is NoticeKind.REPEATED and ticket.priority == ticket.told_priority and not in_digest:
        if ticket.held:
            return Verdict(ticket, None, withdraw=False)
        due_ms = _repeat_allowed_ms(ticket, now_ms, settings)
    not_before_ms = routing.allowed_ms(site_id, ticket.priority, due_ms)
    to, cc = _recipients(ticket, site_id, routing, not_before_ms)
    notice = Tell(kind, to, cc, not_before_ms, routing.webhooks(site_id, kind))
    if not notice.to:
        # Nobody was told, so the next change tells the whole story to whoever is named by then.
        return Verdict(
            replace(ticket, held=False), notice._replace(not_before_ms=now_ms), ticket.held
        )
    ticket = replace(ticket, chain_from_ms=not_before_ms, chain_step=0)
    if not_before_ms > now_ms:
        # What waited before says less than this does, which waits in its place.
        return Verdict(replace(ticket, held=True), notice, withdraw=ticket.held)
    return Verdict(told(ticket, kind, ticket.priority, now_ms), notice, withdraw=ticket.held)


def told(ticket: TicketState, kind: NoticeKind, priority: Priority, at_ms: int) -> TicketState:
    """The ticket after a notice of this kind and priority has gone out, at ``at_ms``."""
    over = kind in {NoticeKind.RETURNED, NoticeKind.PASSED}
    return replace(
        ticket,
        told=Told.RETURNED if over else Told.STANDING,
        told_priority=priority,
        repeat_told_ms=at_ms if kind is NoticeKind.REPEATED else ticket.repeat_told_ms,
        held=False,
    )


def _begin(event: AlarmEvent, ended: TicketState | None, reopen_within_ms: int) -> Decision | None:
    """An alarm without an open ticket: it opens a new one, or the one that was closed last."""
    if event.state not in _ACTIVE or event.change not in _OPENING:
        return None
    if ended is not None and ended.closed_ms is not None:
        since_ms = event.time_ms - ended.closed_ms
        if since_ms <= reopen_within_ms:
            return _disagree(ended, event)
    return _open(event)


def _open(event: AlarmEvent) -> Decision:
    priority = PRIORITY_OF.get(event.severity, "low")
    ticket = TicketState(
        unit_row=event.unit_row,
        fault=event.fault,
        priority=priority,
        first_priority=priority,
        phase=TicketPhase.OPEN,
        onset_ms=event.onset_ms,
        opened_ms=event.time_ms,
        updated_ms=event.time_ms,
    )
    return _recorded(ticket, event, TicketEventKind.OPENED)


def _stands(ticket: TicketState, event: AlarmEvent) -> Decision:
    """The trouble stands: it came back, or it is worse than it was."""
    came_back = ticket.returned_ms is not None
    worse = event.change is Change.WORSENED
    severity_priority = PRIORITY_OF.get(event.severity, "low")
    # A fresh acknowledgement is asked for whenever the alarm itself asks for one.
    anew = event.state is AlarmState.UNACKNOWLEDGED and (came_back or worse)
    standing = replace(
        ticket,
        priority=max(ticket.priority, severity_priority, key=_PRIORITIES.index),
        phase=moved(ticket.phase, Act.ASK_AGAIN) if anew else ticket.phase,
        onset_ms=event.onset_ms if came_back else ticket.onset_ms,
        returned_ms=None,
    )
    kind = TicketEventKind.WORSENED if worse else TicketEventKind.REPEATED
    return _recorded(standing, event, kind)


def _disagree(ticket: TicketState, event: AlarmEvent) -> Decision:
    """A person said that it is done; the alarm, raised again, says that it is not."""
    by = f" by {ticket.ended_by}" if ticket.ended_by else ""
    if ticket.closed_ms is not None and event.change is Change.WORSENED:
        what = f"it was closed{by} while the alarm stood, and it got worse."
    elif ticket.closed_ms is None:
        what = f"the work was reported as done{by}, and the alarm was raised again."
    elif event.time_ms < ticket.closed_ms:
        what = f"it was closed{by}; readings from before that, which came late, raised the alarm."
    else:
        ago = _ago(event.time_ms - ticket.closed_ms)
        what = f"it was closed{by}, and the alarm was raised again {ago} after that."
    note = f"The data disagree: {what}"
    severity_priority = PRIORITY_OF.get(event.severity, "low")
    again = replace(
        ticket,
        priority=max(ticket.priority, severity_priority, key=_PRIORITIES.index),
        phase=moved(ticket.phase, Act.DISAGREE),
        onset_ms=event.onset_ms,
        returned_ms=None,
        acknowledged_ms=None,
        acknowledged_by="",
        told=Told.DISAGREED,
        chain_from_ms=None,
        chain_step=0,
        ended_by="",
        closed_ms=None,
    )
    return _recorded(again, replace(event, note=note), TicketEventKind.REOPENED)


def _ago(time_ms: int) -> str:
    minutes = round(time_ms / 60_000)
    return f"{minutes} min" if minutes < 120 else f"{round(minutes / 60)} h"


def _recorded(ticket: TicketState, event: AlarmEvent, kind: TicketEventKind) -> Decision:
    seq = ticket.last_seq + 1
    entry = TicketEntry(
        seq=seq,
        time_ms=event.time_ms,
        kind=kind,
        severity=event.severity,
        evidence=event.evidence,
        by=event.by,
        note=event.note,
    )
    return Decision(replace(ticket, last_seq=seq, updated_ms=event.time_ms), entry)


def _kind(ticket: TicketState, state: AlarmState) -> NoticeKind | None:
    if state in _ACTIVE and ticket.returned_ms is None:
        if ticket.told is Told.DISAGREED:
            return NoticeKind.REOPENED
        if ticket.told is Told.DUE and ticket.priority == ticket.told_priority:
            return NoticeKind.REMINDED
        if ticket.told in {Told.STANDING, Told.DUE}:
            return NoticeKind.WORSENED if ticket.priority != ticket.told_priority else None
        return NoticeKind.OPENED if ticket.told is Told.NOTHING else NoticeKind.REPEATED
    if state in _OVER and ticket.returned_ms is not None and ticket.told is not Told.RETURNED:
        return NoticeKind.PASSED if ticket.told is Told.NOTHING else NoticeKind.RETURNED
    return None


def _repeat_allowed_ms(ticket: TicketState, now_ms: int, settings: DeskSettings) -> int:
    if ticket.repeat_told_ms is None:
        return now_ms
    interval_ms = settings.repeat_notice_interval_ms
    # Never further off than one interval, even if the clock was set back since.
    return min(max(now_ms, ticket.repeat_told_ms + interval_ms), now_ms + interval_ms)


def _recipients(ticket: TicketState, site_id: str, routing: Routing, at_ms: int) -> Recipients:
    """The recipients of the present priority; those of lower ones, told before, stay in copy."""
    to, cc = routing.recipients(site_id, ticket.priority, at_ms)
    lowest, highest = (_PRIORITIES.index(p) for p in (ticket.first_priority, ticket.priority))
    earlier = [
        person
        for priority in _PRIORITIES[lowest:highest]
        for part in routing.recipients(site_id, priority, at_ms)
        for person in part
    ]
    if not to:
        to, cc = cc, ()
    seen: set[str] = set()
    return _unseen(to, seen), _unseen((*cc, *earlier), seen)


def _unseen(people: tuple[Recipient, ...], seen: set[str]) -> tuple[Recipient, ...]:
    chosen = []
    for person in people:
        address = person.email.lower()
        if address not in seen:
            seen.add(address)
            chosen.append(person)
    return tuple(chosen)
