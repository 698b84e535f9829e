"""The notice: all that a ticket's mail is made of, and nothing that has to be looked up.

The outbox builds a :class:`TicketNotice` from the records at the moment of sending and hands it to
a renderer. Everything is plain frozen data; the identifiers of the mail thread are already decided,
so rendering the same notice again gives the same message.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from email.message import EmailMessage
from enum import StrEnum
from typing import Final, Literal

from gateway.digests.listing import Listing
from rules.events import Evidence, Severity

__all__ = [
    "PRIORITY_OF",
    "NoticeKind",
    "Priority",
    "Recipient",
    "Render",
    "TicketEntry",
    "TicketEventKind",
    "TicketNotice",
    "subject_lead",
]

Priority = Literal["low", "medium", "high"]

PRIORITY_OF: Final[dict[Severity, Priority]] = {
    Severity.LOW: "low",
    Severity.MEDIUM: "medium",
    Severity.HIGH: "high",
}
"""A ticket's priority has the same words as the alarm's severity."""

_RANK: Final[dict[Priority, int]] = {"high": 1, "medium": 2, "low": 3}


def subject_lead(priority: Priority) -> str:
    """How a subject begins: 'P1 HIGH', 'P2 MEDIUM' or 'P3 LOW', so that subjects sort by urgency.

    No brackets: mailboxes that are sorted by subject pass over a leading '[...]' (RFC 5256, 2.1).
    """
    return f"P{_RANK[priority]} {priority.upper()}"


class TicketEventKind(StrEnum):
    """What happened to a ticket."""

    OPENED = "opened"
    WORSENED = "worsened"
    REPEATED = "repeated"
    RETURNED = "returned"
    ACKNOWLEDGED = "acknowledged"
    ESCALATED = "escalated"
    ASSIGNED = "assigned"
    ARRIVED = "on site"
    LEFT = "left the site"
    OVERSTAYED = "still out of service"
    WORK_DONE = "work done"
    HANDED_BACK = "hand-back checked"
    ATTACHED = "attached"
    CLOSED = "closed"
    VERIFIED = "verified by the data"
    NOT_VERIFIED = "not verified"
    REOPENED = "reopened"
    NOTE = "note"


class NoticeKind(StrEnum):
    """Why a mail is sent."""

    OPENED = "opened"
    """The first mail of the ticket; the alarm stands."""
    WORSENED = "worsened"
    """The severity rose; recipients may be new to the thread, so the mail must stand alone."""
    REPEATED = "repeated"
    """The condition came back after readings had returned to normal; same ticket, same thread."""
    REMINDED = "reminded"
    """Somebody acknowledged it, and it still stands after the time allowed."""
    ESCALATED = "escalated"
    """Nobody acknowledged it in time; the next in the chain are told, some of them for the first
    time, so the mail must stand alone."""
    RETURNED = "returned"
    """Readings are back to normal; the ticket stays open until a person closes it."""
    PASSED = "passed"
    """First and only mail of a ticket that was opened and returned to normal at one go, as when a
    site that was cut off sends its backlog."""
    DIGEST = "digest"
    """Lists the tickets of low priority, for the planner."""
    HAND_OVER = "hand-over"
    """Sums up what is open when the monitoring centre's shift changes."""
    OUTAGE = "outage"
    """Lists what has gone silent, or has come back, at many sites at once."""
    REOPENED = "reopened"
    """Somebody said that the work was done, and the data disagree: the alarm stands again."""
    OVERSTAYED = "still out of service"
    """Somebody is on site for longer than he said, and the unit's alarms are still suppressed."""
    NOT_PROVEN = "hand-back not proven"
    """The work is done, and the readings do not show in time that the machine does its work."""
    LETTER = "letter"
    """About no ticket: it was written whole when it was put in the outbox, as a monthly report."""


@dataclass(frozen=True)
class Recipient:
    """A person or desk that gets mail. ``name`` may be empty.

    ``text_address`` turns mail into a short text; it gets one at these priorities.
    """

    name: str
    email: str
    text_address: str = ""
    text_priorities: tuple[Priority, ...] = ("high",)


@dataclass(frozen=True)
class TicketEntry:
    """One line of a ticket's history.

    ``time_ms`` is the event's time (UTC, ms since 1970). ``severity`` is that after the event.
    ``evidence`` comes with opened, worsened and (mostly) repeated; ``by`` and ``note`` with what a
    person did.
    """

    seq: int
    time_ms: int
    kind: TicketEventKind
    severity: Severity
    evidence: Evidence | None = None
    by: str = ""
    note: str = ""


@dataclass(frozen=True)
class TicketNotice:
    """One mail about one ticket.

    ``number`` is the ticket's number ('BW-000123'). ``site_id`` and ``unit_id`` are the ids of the
    site file (``unit_id`` is empty where the ticket is about a whole site), ``fault`` the catalogue
    slug. ``priority`` is the ticket's priority now. All times are UTC, ms since 1970: ``time_ms``
    of the event that caused this notice, ``onset_ms`` when the condition was first seen,
    ``opened_ms`` when the ticket was opened (the alarm's time), ``returned_ms`` when readings last
    returned to normal, None while the alarm stands. ``evidence`` is the latest known.

    ``history`` holds the ticket's events up to this notice, oldest first, so that a mail that
    stands for several changes can tell their course. ``message_id``, ``in_reply_to`` and
    ``references`` are complete header values with angle brackets (``in_reply_to`` is empty and
    ``references`` () on the first mail of a thread). ``date_ms`` belongs in the Date header.
    ``event_seq`` is the number of the ticket event that caused this notice. ``listing`` comes with
    a mail that lists tickets; all about one ticket is then that of the first in it.
    """

    number: str
    kind: NoticeKind
    site_id: str
    unit_id: str
    fault: str
    priority: Priority
    time_ms: int
    onset_ms: int
    opened_ms: int
    returned_ms: int | None
    evidence: Evidence
    history: tuple[TicketEntry, ...]
    to: tuple[Recipient, ...]
    cc: tuple[Recipient, ...]
    from_address: str
    reply_to: str
    message_id: str
    in_reply_to: str
    references: tuple[str, ...]
    date_ms: int
    event_seq: int
    listing: Listing | None = None

    @property
    def severity(self) -> Severity:
        """The priority as the rules' severity."""
        return Severity[self.priority.upper()]


Render = Callable[[TicketNotice], EmailMessage]
"""Makes the mail of a notice. Must set the headers from the notice and never raise on odd data."""
